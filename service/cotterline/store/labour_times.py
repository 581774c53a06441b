"""How long things took, as a shop recorded it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import literal, select, tuple_

from cotterline.bench.labour.learning import LabourTime
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import labour_times
from cotterline.store.tenancy import owned, ownership

MOST_LEARNED: Final = 5000
"""Times that are learned from, the newest of all: a shop's pace of years ago says little of today's."""


class LabourTimeRow(msgspec.Struct, frozen=True, kw_only=True):
    """One recorded time.

    Attributes:
        id: version 7 of RFC 9562.
        created_at: when it was recorded.
        actor: id of the key it was recorded with.
        operation: its id in the labour book.
        minutes: it took.
        quote_id: the quote it was done for, if that was told.
    """

    id: UUID
    created_at: datetime
    actor: str
    operation: str
    minutes: float
    quote_id: UUID | None


class LabourTimePage(msgspec.Struct, frozen=True):
    """Some times, newest first, and where the next page starts, if there is one."""

    times: tuple[LabourTimeRow, ...]
    following: Cursor | None


_COLUMNS = tuple(labour_times.c[name] for name in LabourTimeRow.__struct_fields__)
_NEWEST = (labour_times.c.created_at.desc(), labour_times.c.id.desc())


async def insert(tx: WriteTransaction, time: LabourTimeRow) -> None:
    """Keep one time as the tenant's."""
    await tx.execute(insert_into(labour_times).values(msgspec.structs.asdict(time) | ownership(tx.tenant)))


async def page(tx: ReadTransaction, after: Cursor | None, limit: int) -> LabourTimePage:
    """Return up to ``limit`` of the tenant's times behind ``after``, newest first."""
    newest = select(*_COLUMNS).where(owned(labour_times, tx.tenant)).order_by(*_NEWEST)
    if after is not None:
        at, name = labour_times.c.created_at, labour_times.c.id
        place = tuple_(literal(after.created_at, at.type), literal(after.id, name.type))
        newest = newest.where(tuple_(at, name) < place)
    found = tuple(LabourTimeRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return LabourTimePage(shown, Cursor(shown[-1].created_at, shown[-1].id) if len(found) > limit else None)


async def learned_from(tx: ReadTransaction) -> Sequence[LabourTime]:
    """Return the tenant's newest times, as many as are learned from."""
    columns = (labour_times.c.operation, labour_times.c.minutes)
    newest = select(*columns).where(owned(labour_times, tx.tenant)).order_by(*_NEWEST).limit(MOST_LEARNED)
    return [LabourTime(**row) for row in await tx.rows(newest)]
