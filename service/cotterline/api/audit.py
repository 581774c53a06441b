"""The audit trail, for the shop to read."""

from datetime import UTC, datetime
from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.store import audit
from cotterline.store import cursor as places
from cotterline.store.audit import OPERATOR, AuditPage, AuditRow
from cotterline.store.database import Database


class AuditEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One thing done, written in the transaction that did it and never changed.

    Attributes:
        id: names the entry.
        at: when it was done.
        actor: id of the key it was done with, `link:` and the id of the link a customer answered by, `operator` for the
            command line, or `service` for what time does.
        action: what was done, as in `key.issued`.
        subject_kind: kind of thing it was done to, as in `key`.
        subject_id: which one.
        detail: what else to know of it; its members depend on the action.
    """

    id: UUID
    at: datetime
    actor: str
    action: str
    subject_kind: str
    subject_id: str
    detail: dict[str, Any]


class AuditList(msgspec.Struct, frozen=True, kw_only=True):
    """Some entries, newest first.

    Attributes:
        entries: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    entries: tuple[AuditEntry, ...]
    next_cursor: str | UnsetType = UNSET


def _example() -> AuditList:
    row = AuditRow(
        id=UUID(EXAMPLE_ID),
        at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
        actor=OPERATOR,
        action="key.issued",
        subject_kind="key",
        subject_id=EXAMPLE_ID,
        detail='{"label":"till","scopes":["read","quote","order","administer"],"expires_at":null}',
    )
    return _listed(AuditPage((row,), None))


@get(
    "/v1/audit",
    operation_id="listAudit",
    tags=["shop"],
    summary="Who did what, newest first",
    opt={
        "scope": "read",
        "examples": {"one": Example("A key was issued", _example)},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - query parameters and dependencies, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
    subject_id: Annotated[
        str | None, QueryParameter(min_length=1, max_length=100, description="Entries about this one thing only.")
    ] = None,
) -> Response[AuditList]:
    """Give a page of the shop's audit trail in this mode: keys, quotes, orders and settings, and who changed them."""
    after = places.decode(cursor, "audit") if cursor else None
    async with database.read(caller.tenant) as tx:
        found = _listed(await audit.page(tx, after, limit, subject_id))
    address = f"{call_of(request.scope).base_url}/v1/audit"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit, subject_id=subject_id))


def _listed(page: AuditPage) -> AuditList:
    following = places.encode(page.following, "audit") if page.following else UNSET
    return AuditList(entries=tuple(map(entry, page.entries)), next_cursor=following)


def entry(row: AuditRow) -> AuditEntry:
    """An entry for the wire."""
    told = msgspec.structs.asdict(row)
    return AuditEntry(**told | {"detail": msgspec.json.decode(row.detail)})
