"""API keys: issued, listed, revoked by whoever administers the shop."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter

from cotterline.api import examples
from cotterline.api.caller import Caller, lacks_scope
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.api.shown_key import IssuedKey, KeyList, KeyRequest, ShownKey, issued, listed, shown
from cotterline.bench.errors import CotterlineError
from cotterline.store import cursor as places
from cotterline.store import key_text, keys
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.keys import KeyOrder, KeyPage, KeyRow
from cotterline.store.tenancy import SCOPES

KeyId = Annotated[UUID, PathParameter(description="The key's id.")]

_BODY = examples.read("booking_key")
_EXAMPLE_TEXT = key_text.written("live", UUID(EXAMPLE_ID), "a" * 32)
_TILL = KeyRow(
    id=UUID(EXAMPLE_ID),
    label="till",
    scopes=SCOPES,
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    expires_at=None,
    last_used_at=None,
    revoked_at=None,
)


def _issue_example(data: KeyRequest) -> IssuedKey:
    order = _order(data, _TILL.created_at)
    return issued(keys.row_of(order, _TILL.id, _TILL.created_at), "live", _EXAMPLE_TEXT)


def _revoked_example() -> ShownKey:
    revoked = {name: getattr(_TILL, name) for name in KeyRow.__struct_fields__} | {"revoked_at": _TILL.created_at}
    return shown(KeyRow(**revoked), "live")


@post(
    "/v1/keys",
    status_code=201,
    operation_id="issueKey",
    tags=["shop"],
    summary="Issue a key",
    opt={
        "scope": "administer",
        "answer": IssuedKey,
        "takes": ["Idempotency-Key"],
        "examples": {"booking": Example("For a booking system", _issue_example, _BODY)},
        "headers": ["Location", "Idempotency-Replayed"],
        "refusals": (409,),
        "links": {
            name: {
                "operationId": name,
                "parameters": {"key_id": "$response.body#/id"},
                "description": description,
            }
            for name, description in {"readKey": "Read the key again.", "revokeKey": "Revoke the key."}.items()
        },
    },
)
async def issue(
    request: Request[Any, Any, Any],
    data: JSONBody[KeyRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Issue a key and show it to the caller alone. A key can hand out only the scopes it holds, in its own mode."""
    missing = frozenset(data.scopes) - caller.scopes
    if missing:
        raise lacks_scope(*keys.ordered(missing))
    order = _order(data, stamp.now)

    async def work(tx: WriteTransaction) -> Response[IssuedKey]:
        text = await keys.issue(tx, order, key_id=stamp.id, now=stamp.now, actor=caller.key_id)
        made = issued(keys.row_of(order, stamp.id, stamp.now), caller.tenant.mode, text)
        return Response(made, headers={"Location": f"{call_of(request.scope).base_url}/v1/keys/{stamp.id}"})

    return await once.answer(work, sealed=True)


@get(
    "/v1/keys",
    operation_id="listKeys",
    tags=["shop"],
    summary="List keys, newest first",
    opt={
        "scope": "administer",
        "examples": {"one": Example("One key", lambda: listed(KeyPage((_TILL,), None), "live"))},
        "headers": ["Link"],
    },
)
async def page(
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[KeyList]:
    """Give a page of the shop's keys in this mode, revoked and expired ones included."""
    after = places.decode(cursor, "keys") if cursor else None
    async with database.read(caller.tenant) as tx:
        found = listed(await keys.page(tx, after, limit), caller.tenant.mode)
    address = f"{call_of(request.scope).base_url}/v1/keys"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit))


@get(
    "/v1/keys/{key_id:uuid}",
    operation_id="readKey",
    tags=["shop"],
    summary="Read what is told of a key",
    opt={"scope": "administer", "examples": {"till": Example("A key", lambda: shown(_TILL, "live"))}},
)
async def read(key_id: KeyId, caller: NamedDependency[Caller], database: NamedDependency[Database]) -> ShownKey:
    """Tell everything of a key but its secret."""
    async with database.read(caller.tenant) as tx:
        return shown(_found(await keys.get(tx, key_id)), caller.tenant.mode)


@post(
    "/v1/keys/{key_id:uuid}/revocation",
    status_code=200,
    operation_id="revokeKey",
    tags=["shop"],
    summary="Revoke a key",
    opt={"scope": "administer", "examples": {"till": Example("A key that ended", _revoked_example)}},
)
async def revoke(
    key_id: KeyId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> ShownKey:
    """End a key at once and for good, the calling one too; revoking it again changes nothing."""
    async with database.write(caller.tenant) as tx:
        row = await keys.revoke(tx, key_id, now=stamp.now, actor=caller.key_id)
        return shown(_found(row), caller.tenant.mode)


def _order(data: KeyRequest, now: datetime) -> KeyOrder:
    ends = now + timedelta(days=data.lifetime_days) if data.lifetime_days else None
    return KeyOrder(label=data.label, scopes=frozenset(data.scopes), expires_at=ends)


def _found(row: KeyRow | None) -> KeyRow:
    if row is None:
        raise CotterlineError("not-found", "No key has this id.")
    return row
