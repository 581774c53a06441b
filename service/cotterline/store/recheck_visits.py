"""Re-check visits: when each bicycle is to be looked at again; one for each quote, changed by who saw its version."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, literal, select, tuple_, update
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.bench.recheck_visits import VisitState
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import recheck_visits
from cotterline.store.tenancy import owned, ownership


class VisitRow(msgspec.Struct, frozen=True, kw_only=True):
    """One visit.

    Attributes:
        quote_id: the job to be looked at again.
        created_at: when it was first planned.
        due_at: when it is due.
        state: whether it was announced, done or cancelled.
        version: counts every change, from 1.
        actor: who changed it last: id of a key, or ``service``.
        changed_at: when.
    """

    quote_id: UUID
    created_at: datetime
    due_at: datetime
    state: VisitState
    version: int
    actor: str
    changed_at: datetime


class VisitPage(msgspec.Struct, frozen=True):
    """Some visits, those planned last first, and where the next page starts, if there is one."""

    visits: tuple[VisitRow, ...]
    following: Cursor | None


_COLUMNS = tuple(recheck_visits.c[name] for name in VisitRow.__struct_fields__)
_FIXED = ("quote_id", "created_at")


async def insert(tx: WriteTransaction, visit: VisitRow) -> bool:
    """Keep a visit as the tenant's, unless its quote has one; tell whether it was kept."""
    row = msgspec.structs.asdict(visit) | ownership(tx.tenant)
    return await tx.execute(insert_into(recheck_visits).values(row).on_conflict_do_nothing()) == 1


async def get(tx: ReadTransaction, quote_id: UUID) -> VisitRow | None:
    """Return the visit of the tenant's quote, if it ever had one."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, quote_id)))
    return VisitRow(**rows[0]) if rows else None


async def hold(tx: WriteTransaction, quote_id: UUID) -> VisitRow | None:
    """Return the visit as :func:`get` does, and let nobody else change it until this transaction ends."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, quote_id)).with_for_update())
    return VisitRow(**rows[0]) if rows else None


async def change(tx: WriteTransaction, visit: VisitRow, seen: int) -> bool:
    """Put ``visit`` in the place of its version ``seen``, unless another change was faster; tell whether it is."""
    values = {name: value for name, value in msgspec.structs.asdict(visit).items() if name not in _FIXED}
    this = and_(_this(tx, visit.quote_id), recheck_visits.c.version == seen)
    return await tx.execute(update(recheck_visits).where(this).values(values)) == 1


async def due(tx: ReadTransaction, now: datetime, limit: int) -> Sequence[VisitRow]:
    """Return up to ``limit`` of the tenant's visits that are due and not announced, in the order of their quotes."""
    found = select(*_COLUMNS).where(
        owned(recheck_visits, tx.tenant),
        recheck_visits.c.state == literal("scheduled"),
        recheck_visits.c.due_at <= now,
    )
    return [VisitRow(**row) for row in await tx.rows(found.order_by(recheck_visits.c.quote_id).limit(limit))]


async def page(tx: ReadTransaction, state: VisitState | None, after: Cursor | None, limit: int) -> VisitPage:
    """Return up to ``limit`` of the tenant's visits behind ``after``, newest first; in one state, if any."""
    planned, name = recheck_visits.c.created_at, recheck_visits.c.quote_id
    newest = select(*_COLUMNS).where(owned(recheck_visits, tx.tenant)).order_by(planned.desc(), name.desc())
    if state is not None:
        newest = newest.where(recheck_visits.c.state == state)
    if after is not None:
        place = tuple_(literal(after.created_at, planned.type), literal(after.id, name.type))
        newest = newest.where(tuple_(planned, name) < place)
    found = tuple(VisitRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return VisitPage(shown, Cursor(shown[-1].created_at, shown[-1].quote_id) if len(found) > limit else None)


def _this(tx: ReadTransaction, quote_id: UUID) -> ColumnElement[bool]:
    return and_(owned(recheck_visits, tx.tenant), recheck_visits.c.quote_id == quote_id)
