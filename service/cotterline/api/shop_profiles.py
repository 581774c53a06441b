"""The shop's settings: what it sets for itself, used wherever a request brings nothing else."""

from typing import Annotated, Any, Final

from litestar import Request, Response, get, patch, put
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, Meta, Struct, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.merge_patch import MEDIA_TYPE
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.shop_documents import Desk, Form, Names, ServedDocument, Version
from cotterline.bench.shop_profile import DEFAULT, Currency, Locale, ShopCrank, ShopProfile, check_profile
from cotterline.store.database import Database
from cotterline.store.shop_documents import SETTINGS

PATH: Final = "/v1/settings"
_EXAMPLE = b'{"calculation":{"chain_line_tolerance_mm":1.0},"currency":"GBP","locale":"en-GB"}'
_SERVED = ServedDocument(
    SETTINGS,
    Names(PATH, "settings", "settings", "replaceSettings", "changeSettings"),
    Form(check_profile, shown=lambda profile: profile),
)


class ShopProfilePatch(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A JSON Merge Patch (RFC 7396) of the shop's settings: what is absent stays, null goes back to the default.

    Attributes:
        calculation: merged member by member.
        currency: of the shop's prices.
        tax: merged member by member; its list of rates is replaced whole.
        locale: language and customs of what is written for the shop's customers.
        quote_valid_days: how long a quote holds once it is issued.
        cranks: all of the shop's own, in the place of those there are.
        pricing: merged member by member; its lists are replaced whole.
        recheck_after_days: when a bicycle that was fitted is to be looked at again; 0 for never.
        share_fit_reports: whether what fit reports say of cranks is given to every shop; it cannot be taken back.
    """

    calculation: dict[str, Any] | UnsetType | None = UNSET
    currency: Currency | UnsetType | None = UNSET
    tax: dict[str, Any] | UnsetType | None = UNSET
    locale: Locale | UnsetType | None = UNSET
    quote_valid_days: Annotated[int, Meta(ge=1, le=365)] | UnsetType | None = UNSET
    cranks: Annotated[tuple[ShopCrank, ...], Meta(max_length=200)] | UnsetType | None = UNSET
    pricing: dict[str, Any] | UnsetType | None = UNSET
    recheck_after_days: Annotated[int, Meta(ge=0, le=365)] | UnsetType | None = UNSET
    share_fit_reports: bool | UnsetType | None = UNSET


async def shop(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> ShopProfile:
    """The dependency ``shop``: what the caller's shop has set."""
    async with database.read(caller.tenant) as tx:
        return (await SETTINGS.current(tx)).content


def _default(_: object = None) -> ShopProfile:
    return DEFAULT


def _put(profile: ShopProfile) -> ShopProfile:
    return profile


def _patched(change: ShopProfilePatch) -> ShopProfile:
    return _SERVED.patched(DEFAULT, change)


@get(
    PATH,
    operation_id="readSettings",
    tags=["settings"],
    summary="Read the shop's settings",
    opt={
        "scope": "read",
        "answer": ShopProfile,
        "takes": ["If-None-Match"],
        "examples": {"default": Example("Nothing was ever set", _default)},
        "headers": ["ETag", "Content-Location"],
        "links": _SERVED.links,
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any], caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[ShopProfile] | Response[None]:
    """Give what the shop has set; Content-Location names the version, which a quote made under it bears."""
    return await _SERVED.read(request, caller, database)


@get(
    PATH + "/versions/{version:int}",
    operation_id="readSettingsVersion",
    tags=["settings"],
    summary="Read an old version of the shop's settings",
    opt={"scope": "read", "headers": ["ETag"], "examples": {"default": Example("Before anything was set", _default)}},
)
async def read_version(
    version: Version, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[ShopProfile]:
    """Give the settings that were in force when a quote was computed; 0 is what holds before anything is set."""
    return await _SERVED.read_version(version, caller, database)


@put(
    PATH,
    operation_id="replaceSettings",
    tags=["settings"],
    summary="Set all of the shop's settings",
    opt={
        "scope": "administer",
        "takes": ["If-Match"],
        "examples": {"british": Example("What is left out is as by default", _put, _EXAMPLE)},
        "headers": ["ETag", "Content-Location"],
    },
)
async def replace(
    request: Request[Any, Any, Any], data: JSONBody[ShopProfile], desk: NamedDependency[Desk]
) -> Response[ShopProfile]:
    """Put the body in the place of all that was set; quotes already computed keep what they were computed with."""
    return await _SERVED.replace(request, data, desk)


@patch(
    PATH,
    operation_id="changeSettings",
    tags=["settings"],
    summary="Change some of the shop's settings",
    opt={
        "scope": "administer",
        "media": MEDIA_TYPE,
        "takes": ["If-Match"],
        "examples": {"british": Example("A finer tolerance, another currency", _patched, _EXAMPLE)},
        "headers": ["ETag", "Content-Location"],
    },
)
async def change(
    request: Request[Any, Any, Any], data: JSONBody[ShopProfilePatch], desk: NamedDependency[Desk]
) -> Response[ShopProfile]:
    """Merge a patch into what was set; null goes back to the default."""
    return await _SERVED.change(request, data, desk)
