"""The shop's settings: what it sets for itself, used wherever a request brings nothing else."""

from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get, patch, put
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter
from msgspec import UNSET, Meta, UnsetType

from cotterline.api.body import decode
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified, overtaken, require, wanted_tags
from cotterline.api.kept_quote import Stamp
from cotterline.api.merge_patch import MEDIA_TYPE, merged
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.bench.errors import CotterlineError
from cotterline.bench.shop_profile import DEFAULT, Currency, Locale, ShopCrank, ShopProfile, check_profile
from cotterline.store import shop_profiles
from cotterline.store.audit import record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.shop_profiles import ProfileVersion

PATH = "/v1/settings"
_EXAMPLE = b'{"calculation":{"chain_line_tolerance_mm":1.0},"currency":"GBP","locale":"en-GB"}'


class ShopProfilePatch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A JSON Merge Patch (RFC 7396) of the shop's settings: what is absent stays, null goes back to the default.

    Attributes:
        calculation: merged member by member.
        currency: of the shop's prices.
        tax: merged member by member; its list of rates is replaced whole.
        locale: language and customs of what is written for the shop's customers.
        quote_valid_days: how long a quote holds once it is issued.
        cranks: all of the shop's own, in the place of those there are.
    """

    calculation: dict[str, Any] | UnsetType | None = UNSET
    currency: Currency | UnsetType | None = UNSET
    tax: dict[str, Any] | UnsetType | None = UNSET
    locale: Locale | UnsetType | None = UNSET
    quote_valid_days: Annotated[int, Meta(ge=1, le=365)] | UnsetType | None = UNSET
    cranks: Annotated[tuple[ShopCrank, ...], Meta(max_length=200)] | UnsetType | None = UNSET


async def shop(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> ShopProfile:
    """The dependency ``shop``: what the caller's shop has set."""
    async with database.read(caller.tenant) as tx:
        return (await shop_profiles.current(tx)).profile


def _answer(request: Request[Any, Any, Any], found: ProfileVersion) -> Response[ShopProfile]:
    place = f"{call_of(request.scope).base_url}{PATH}/versions/{found.version}"
    return Response(found.profile, headers={"ETag": etag(found.version), "Content-Location": place, **KEPT})


def _default(_: object = None) -> ShopProfile:
    return DEFAULT


def _put(profile: ShopProfile) -> ShopProfile:
    return profile


def _patched(change: ShopProfilePatch) -> ShopProfile:
    return _merged(DEFAULT, change)


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
        "links": {
            "replaceSettings": {
                "operationId": "replaceSettings",
                "parameters": {"If-Match": "$response.header.ETag"},
                "description": "Replace this version of them.",
            },
            "changeSettings": {
                "operationId": "changeSettings",
                "parameters": {"If-Match": "$response.header.ETag"},
                "description": "Change this version of them.",
            },
        },
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any], caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[ShopProfile] | Response[None]:
    """Give what the shop has set; Content-Location names the version, which a quote made under it bears."""
    async with database.read(caller.tenant) as tx:
        found = await shop_profiles.current(tx)
    tag = etag(found.version)
    return not_modified(tag) if is_current(request, tag) else _answer(request, found)


@get(
    PATH + "/versions/{version:int}",
    operation_id="readSettingsVersion",
    tags=["settings"],
    summary="Read an old version of the shop's settings",
    opt={"scope": "read", "headers": ["ETag"], "examples": {"default": Example("Before anything was set", _default)}},
)
async def read_version(
    version: Annotated[int, PathParameter(ge=0, le=1_000_000_000, description="As a quote bears it.")],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> Response[ShopProfile]:
    """Give the settings that were in force when a quote was computed; 0 is what holds before anything is set."""
    async with database.read(caller.tenant) as tx:
        found = await shop_profiles.get(tx, version)
    if found is None:
        raise CotterlineError("not-found", "The shop's settings never had this version.")
    return Response(found.profile, headers={"ETag": etag(found.version), **KEPT})


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
    request: Request[Any, Any, Any],
    data: JSONBody[ShopProfile],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> Response[ShopProfile]:
    """Put the body in the place of all that was set; quotes already computed keep what they were computed with."""
    wanted = wanted_tags(request)
    check_profile(data)
    async with database.write(caller.tenant) as tx:
        found = await _seen(tx, wanted)
        changed = await _changed(tx, found, data, caller, stamp)
    return _answer(request, changed)


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
    request: Request[Any, Any, Any],
    data: JSONBody[ShopProfilePatch],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> Response[ShopProfile]:
    """Merge a patch into what was set; null goes back to the default."""
    wanted = wanted_tags(request)
    async with database.write(caller.tenant) as tx:
        found = await _seen(tx, wanted)
        changed = await _changed(tx, found, _merged(found.profile, data), caller, stamp)
    return _answer(request, changed)


async def _seen(tx: WriteTransaction, wanted: str) -> ProfileVersion:
    """The version in force, if the client has seen it."""
    found = await shop_profiles.current(tx)
    require(wanted, etag(found.version))
    return found


async def _changed(
    tx: WriteTransaction, found: ProfileVersion, profile: ShopProfile, caller: Caller, stamp: Stamp
) -> ProfileVersion:
    if profile == found.profile:
        return found
    check_profile(profile)
    changed = ProfileVersion(version=found.version + 1, profile=profile)
    if not await shop_profiles.add(tx, changed, at=stamp.now, actor=caller.key_id):
        raise overtaken()
    await record(
        tx,
        caller.tenant,
        at=stamp.now,
        actor=caller.key_id,
        action="settings.changed",
        subject_kind="settings",
        subject_id=str(caller.tenant.shop),
        detail={"version": changed.version},
    )
    return changed


def _merged(profile: ShopProfile, change: ShopProfilePatch) -> ShopProfile:
    try:
        outcome = merged(msgspec.to_builtins(profile), msgspec.to_builtins(change))
        found: ShopProfile = decode(msgspec.json.encode(outcome), ShopProfile)
    except RecursionError as error:
        raise RequestRefusedError("malformed-request", "The patch is nested too deeply.") from error
    except RequestRefusedError as error:
        words = "After the patch the settings would not fit the schema."
        raise RequestRefusedError("patch-outcome", words, error.errors) from error
    return found
