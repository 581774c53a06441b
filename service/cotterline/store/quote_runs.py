"""Runs: what was asked of each and how far it is, changed in the transaction of what changes it, paged newest first."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, bindparam, func, literal, select, tuple_, update
from sqlalchemy import insert as insert_into

from cotterline.bench.quote_run_life import OPEN, QuoteRunState
from cotterline.store.columns import UtcDateTime
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import quote_runs
from cotterline.store.tenancy import owned, ownership

BicycleForm = Literal["json_lines", "csv"]

WORK: Final = "quote_run_work"
"""Announced when there may be something to work on: parts came in, or a run was resumed."""

LEFT: Final[tuple[QuoteRunState, ...]] = ("receiving", "paused")
"""States in which nothing goes on unless somebody does something."""

CHANGED: Final = "quote_run_changed"
"""Announced at every change of a run."""


class QuoteRunRow(msgspec.Struct, frozen=True, kw_only=True):
    """A run as it is.

    Attributes:
        id: made by the caller; version 7 of RFC 9562.
        created_at: when it was made.
        actor: id of the key that made it.
        reference: the shop's own words for it, at most 200 characters.
        bicycles_form: how bicycles come in.
        answers_form: how answers go out.
        derivation: whether every number says how it came about.
        state: as recorded last.
        version: counts every change, from 1.
        received_bytes: taken in so far.
        received_all: whether that is all.
        bicycles: taken in so far, but for those that make no part yet.
        quoted: bicycles that were quoted.
        refused: bicycles that could not be.
        parts: pieces of work so far.
        parts_done: those of them that are answered.
        worked_since: when it was made, or resumed last.
        changed_at: when bicycles last came in or were answered, or something was done to it; None before any of these.
        finished_at: when it was finished or cancelled.
        kept_until: how long its answers are kept, once it has ended.
        removed_at: when bicycles and answers were removed.
    """

    id: UUID
    created_at: datetime
    actor: str
    reference: str | None = None
    bicycles_form: BicycleForm
    answers_form: BicycleForm
    derivation: bool
    state: QuoteRunState = "receiving"
    version: int = 1
    received_bytes: int = 0
    received_all: bool = False
    bicycles: int = 0
    quoted: int = 0
    refused: int = 0
    parts: int = 0
    parts_done: int = 0
    worked_since: datetime
    changed_at: datetime | None = None
    finished_at: datetime | None = None
    kept_until: datetime | None = None
    removed_at: datetime | None = None

    @property
    def last_change(self) -> datetime:
        """When something last happened to it."""
        return self.changed_at or self.worked_since

    def is_left_behind(self, before: datetime) -> bool:
        """Whether it waits for somebody, and has since ``before``."""
        return self.state in LEFT and self.last_change < before


class QuoteRunPage(msgspec.Struct, frozen=True):
    """Some runs, newest first, and where the next page starts, if there is one."""

    runs: tuple[QuoteRunRow, ...]
    following: Cursor | None


_COLUMNS = tuple(quote_runs.c[name] for name in QuoteRunRow.__struct_fields__)


async def insert(tx: WriteTransaction, run: QuoteRunRow) -> None:
    """Keep a run as the tenant's."""
    await tx.execute(insert_into(quote_runs).values(msgspec.structs.asdict(run) | ownership(tx.tenant)))


async def get(tx: ReadTransaction, run_id: UUID) -> QuoteRunRow | None:
    """Return the tenant's run with this id, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, run_id)))
    return QuoteRunRow(**rows[0]) if rows else None


async def hold(tx: WriteTransaction, run_id: UUID) -> QuoteRunRow | None:
    """Return the run as :func:`get` does, and let nobody else change it until this transaction ends."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, run_id)).with_for_update())
    return QuoteRunRow(**rows[0]) if rows else None


async def page(tx: ReadTransaction, after: Cursor | None, limit: int) -> QuoteRunPage:
    """Return up to ``limit`` of the tenant's runs behind ``after``, newest first."""
    made, name = quote_runs.c.created_at, quote_runs.c.id
    newest = select(*_COLUMNS).where(owned(quote_runs, tx.tenant)).order_by(made.desc(), name.desc())
    if after is not None:
        place = tuple_(literal(after.created_at, made.type), literal(after.id, name.type))
        newest = newest.where(tuple_(made, name) < place)
    found = tuple(QuoteRunRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return QuoteRunPage(shown, Cursor(shown[-1].created_at, shown[-1].id) if len(found) > limit else None)


async def open_runs(tx: ReadTransaction) -> int:
    """Return how many of the tenant's runs have not ended."""
    return await _total(tx, func.count(), quote_runs.c.state.in_(OPEN))


async def kept_bytes(tx: ReadTransaction) -> int:
    """Return how many bytes of bicycles the tenant's runs took in whose answers are still kept."""
    return await _total(tx, func.sum(quote_runs.c.received_bytes), quote_runs.c.removed_at.is_(None))


async def over(tx: ReadTransaction, now: datetime, limit: int) -> Sequence[UUID]:
    """Return up to ``limit`` of the tenant's runs whose answers were kept for as long as they are to be."""
    ended = and_(quote_runs.c.removed_at.is_(None), quote_runs.c.kept_until <= now)
    found = select(quote_runs.c.id).where(owned(quote_runs, tx.tenant), ended).order_by(quote_runs.c.id)
    return [row["id"] for row in await tx.rows(found.limit(limit))]


async def left_behind(tx: ReadTransaction, before: datetime, limit: int) -> Sequence[UUID]:
    """Return up to ``limit`` of the tenant's runs that wait for somebody and have since ``before``."""
    last = func.coalesce(quote_runs.c.changed_at, quote_runs.c.worked_since)
    waiting = and_(quote_runs.c.state.in_(LEFT), last < bindparam("before", before, UtcDateTime()))
    found = select(quote_runs.c.id).where(owned(quote_runs, tx.tenant), waiting).order_by(quote_runs.c.id)
    return [row["id"] for row in await tx.rows(found.limit(limit))]


async def note_removal(tx: WriteTransaction, run_id: UUID, at: datetime) -> bool:
    """Keep when the answers of the tenant's run were removed; tell whether nobody else had."""
    return await change(tx, run_id, {"removed_at": at}, quote_runs.c.removed_at.is_(None)) is not None


async def change(
    tx: WriteTransaction, run_id: UUID, values: Mapping[str, Any], *conditions: ColumnElement[bool]
) -> QuoteRunRow | None:
    """Change what is named of the tenant's run and tell of it once this has committed.

    Args:
        tx: the transaction of what changes the run.
        run_id: the run.
        values: new values of columns, or how they follow from the old ones.
        conditions: what must hold of it, or nothing is changed.

    Returns:
        The run after the change; None where the conditions did not hold.
    """
    counted = {**values, "version": quote_runs.c.version + 1}
    changed = update(quote_runs).where(_this(tx, run_id), *conditions).values(counted).returning(*_COLUMNS)
    rows = await tx.rows(changed)
    if not rows:
        return None
    await tx.announce(CHANGED)
    return QuoteRunRow(**rows[0])


async def _total(tx: ReadTransaction, figure: ColumnElement[int], condition: ColumnElement[bool]) -> int:
    (row,) = await tx.rows(select(figure.label("total")).where(owned(quote_runs, tx.tenant), condition))
    return int(row["total"] or 0)


def _this(tx: ReadTransaction, run_id: UUID) -> ColumnElement[bool]:
    return and_(owned(quote_runs, tx.tenant), quote_runs.c.id == run_id)
