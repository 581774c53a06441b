"""Secrets shared with whom the shop has things posted to: made or taken in, shown once, told of, ended.

What is done stands here for suppliers and subscriptions alike; the handlers of suppliers stand below, those of
subscriptions beside the subscriptions.
"""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, Literal, NamedTuple
from urllib.parse import quote
from uuid import UUID

import msgspec
from litestar import Request, Response, delete, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter
from msgspec import UNSET, Meta, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.api.shop_documents import Desk
from cotterline.api.suppliers import SupplierName
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import refuse
from cotterline.delivery.signatures import check_secret, made_secret
from cotterline.store import cursor as places
from cotterline.store import receiver_secrets, receivers
from cotterline.store.cipher import Cipher
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.receiver_secrets import Purpose, SecretPage, SecretRow, Use
from cotterline.store.receivers import ReceiverKind

PATH: Final = "/v1/suppliers/{supplier:str}/secrets"
AnyRequest = Request[Any, Any, Any]
SecretId = Annotated[UUID, PathParameter(description="The secret's id.")]
_PURPOSES: Final[Mapping[ReceiverKind, tuple[Purpose, ...]]] = {
    "supplier": ("signing", "credential", "reply"),
    "subscription": ("signing",),
}


class Holder(NamedTuple):
    """With whom a secret is shared."""

    kind: ReceiverKind
    name: str


class SecretRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A secret to be shared.

    Attributes:
        purpose: ``signing`` signs what is posted, ``credential`` is the token or the password a post shows, and with
            ``reply`` a supplier signs what it says.
        text: the secret itself; one to sign with is made where none is given, a credential has to be.
        overlap_hours: how long the secret before this one holds beside it.
    """

    purpose: Purpose
    text: (
        Annotated[
            str,
            Meta(pattern=r"^[!-~]([ -~]{0,998}[!-~])?(?![\s\S])", max_length=1000, description="Printable characters."),
        ]
        | UnsetType
    ) = UNSET
    overlap_hours: Annotated[int, Meta(ge=0, le=168)] = 24


class SecretEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a secret.

    Attributes:
        id: names it.
        purpose: what it is for.
        state: ``live``, until it has ``ended``.
        created_at: since when it holds.
        by: id of the key it was kept with.
        ends_at: when it ends or ended; one without an end holds until the next takes over.
    """

    id: UUID
    purpose: Purpose
    state: Literal["live", "ended"]
    created_at: datetime
    by: str
    ends_at: datetime | UnsetType = UNSET


class MadeSecret(SecretEntry, frozen=True, kw_only=True):
    """A secret as it is shown this once.

    Attributes:
        text: the secret itself; it cannot be had again.
    """

    text: str


class SecretList(msgspec.Struct, frozen=True, kw_only=True):
    """Some secrets, newest first.

    Attributes:
        secrets: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    secrets: tuple[SecretEntry, ...]
    next_cursor: str | UnsetType = UNSET


class Keeping(NamedTuple):
    """What it takes to keep a secret: who asks once, and what it is encrypted with."""

    once: Once
    caller: Caller
    stamp: Stamp
    cipher: Cipher


def keeping(
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
    cipher: NamedDependency[Cipher],
) -> Keeping:
    """The dependency ``keeping``."""
    return Keeping(once, caller, stamp, cipher)


async def make(holder: Holder, data: SecretRequest, keeping: Keeping) -> Response[bytes]:
    """Share a secret with a receiver of the shop's, and show it this once.

    Raises:
        CotterlineError: ``not-found``, ``too-many-secrets``, ``secrets-unavailable``, or ``impossible-value``.
    """
    refuse([*_faults(data, holder.kind)])
    text = made_secret() if isinstance(data.text, UnsetType) else data.text
    stamp = keeping.stamp

    async def work(tx: WriteTransaction) -> Response[MadeSecret]:
        await _there(tx, holder)
        row = await receiver_secrets.keep(
            tx,
            keeping.cipher,
            Use(holder.kind, holder.name, data.purpose),
            text,
            secret_id=stamp.id,
            now=stamp.now,
            actor=keeping.caller.key_id,
            overlap=timedelta(hours=data.overlap_hours),
        )
        return Response(MadeSecret(**_told(row, stamp.now), text=text))

    return await keeping.once.answer(work, sealed=True)


async def listed(
    request: AnyRequest, holder: Holder, desk: Desk, limit: int, cursor: str | None
) -> Response[SecretList]:
    """A page of what is told of a receiver's secrets, ended ones included; never a text.

    Raises:
        CotterlineError: ``not-found`` or ``bad-cursor``.
    """
    after = places.decode(cursor, "secrets") if cursor else None
    async with desk.database.read(desk.caller.tenant) as tx:
        await _there(tx, holder)
        found = _list(await receiver_secrets.page(tx, holder.kind, holder.name, after, limit), desk.stamp.now)
    address = call_of(request.scope).base_url + quote(request.scope["path"])
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit))


async def ended(holder: Holder, secret_id: UUID, desk: Desk) -> None:
    """End a secret of a receiver's at once; one that has ended stays as it was.

    Raises:
        CotterlineError: ``not-found``.
    """
    async with desk.database.write(desk.caller.tenant) as tx:
        await _there(tx, holder)
        row = await receiver_secrets.end(
            tx, holder.kind, holder.name, secret_id, now=desk.stamp.now, actor=desk.caller.key_id
        )
    if row is None:
        raise CotterlineError("not-found", "No secret has this id.")


_ROW: Final = SecretRow(
    id=UUID(EXAMPLE_ID),
    purpose="reply",
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    actor=EXAMPLE_ID,
    ends_at=None,
)
_EXAMPLE_TEXT: Final = "whsec_" + "AAAA" * 11
LIST_EXAMPLE: Final = Example("One secret", lambda: _list(SecretPage((_ROW,), None), _ROW.created_at))


def make_example(data: SecretRequest) -> MadeSecret:
    """What making a secret answers, in an example."""
    row = msgspec.structs.replace(_ROW, purpose=data.purpose)
    text = _EXAMPLE_TEXT if isinstance(data.text, UnsetType) else data.text
    return MadeSecret(**_told(row, _ROW.created_at), text=text)


@post(
    PATH,
    status_code=201,
    operation_id="makeSupplierSecret",
    tags=["suppliers"],
    summary="Share a secret with a supplier",
    opt={
        "scope": "administer",
        "answer": MadeSecret,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "reply": Example("To verify what it says", make_example, b'{"purpose":"reply"}'),
            "password": Example("To be let in", make_example, b'{"purpose":"credential","text":"an invented one"}'),
        },
        "headers": ["Idempotency-Replayed"],
        "links": {
            "endSupplierSecret": {
                "operationId": "endSupplierSecret",
                "parameters": {"supplier": "$request.path.supplier", "secret_id": "$response.body#/id"},
                "description": "End it.",
            }
        },
    },
)
async def make_for_supplier(
    supplier: SupplierName, data: JSONBody[SecretRequest], keeping: NamedDependency[Keeping]
) -> Response[bytes]:
    """Make a secret, or take one in, and show it this once; of one purpose two hold at most, one taking over."""
    return await make(Holder("supplier", supplier), data, keeping)


@get(
    PATH,
    operation_id="listSupplierSecrets",
    tags=["suppliers"],
    summary="List a supplier's secrets, newest first",
    opt={"scope": "administer", "examples": {"one": LIST_EXAMPLE}, "headers": ["Link"]},
)
async def page_of_supplier(
    request: AnyRequest,
    supplier: SupplierName,
    desk: NamedDependency[Desk],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[SecretList]:
    """Tell what each secret is for, since when it holds and when it ends; never what it is."""
    return await listed(request, Holder("supplier", supplier), desk, limit, cursor)


@delete(
    PATH + "/{secret_id:uuid}",
    operation_id="endSupplierSecret",
    tags=["suppliers"],
    summary="End a supplier's secret",
    opt={"scope": "administer"},
)
async def end_of_supplier(supplier: SupplierName, secret_id: SecretId, desk: NamedDependency[Desk]) -> None:
    """End a secret at once and for good; without any to sign with, posts go out unsigned."""
    await ended(Holder("supplier", supplier), secret_id, desk)


async def _there(tx: ReadTransaction, holder: Holder) -> None:
    if await receivers.get(tx, holder.kind, holder.name) is None:
        words = (
            "The shop has no supplier of this name." if holder.kind == "supplier" else "No subscription has this id."
        )
        raise CotterlineError("not-found", words)


def _faults(data: SecretRequest, kind: ReceiverKind) -> Iterator[Fault]:
    if data.purpose not in _PURPOSES[kind]:
        yield Fault("/purpose", f"a {kind} has secrets for {', '.join(_PURPOSES[kind])} alone")
    elif isinstance(data.text, UnsetType):
        if data.purpose == "credential":
            yield Fault("/text", "a credential is given by the receiver, so it must be sent")
    elif data.purpose != "credential":
        yield from check_secret(data.text, "/text")


def _told(row: SecretRow, now: datetime) -> dict[str, Any]:
    return {
        "id": row.id,
        "purpose": row.purpose,
        "state": "ended" if row.ends_at and row.ends_at <= now else "live",
        "created_at": row.created_at,
        "by": row.actor,
        "ends_at": row.ends_at or UNSET,
    }


def _list(page: SecretPage, now: datetime) -> SecretList:
    following = places.encode(page.following, "secrets") if page.following else UNSET
    return SecretList(secrets=tuple(SecretEntry(**_told(row, now)) for row in page.secrets), next_cursor=following)
