"""The parts of runs: bicycles as they come in, answers once they are done."""

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, delete, func, literal, select
from sqlalchemy import insert as insert_into

from cotterline.store import quote_run_inputs, quote_runs
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.quote_run_inputs import LeftOver
from cotterline.store.quote_runs import WORK, QuoteRunRow
from cotterline.store.tables import quote_run_parts as parts
from cotterline.store.tables import quote_runs as runs
from cotterline.store.tenancy import owned, ownership


class NewPart(msgspec.Struct, frozen=True, kw_only=True):
    """Some bicycles of a run, to be worked on together.

    Attributes:
        lines_before: lines between the heading and these.
        records_before: lines or rows between the heading and these.
        bicycles: how many.
        question: what came in of them, compressed.
    """

    lines_before: int
    records_before: int
    bicycles: int
    question: bytes


class Intake(msgspec.Struct, frozen=True, kw_only=True):
    """A piece of an upload, cut.

    Attributes:
        size: bytes of the piece.
        last: whether nothing comes behind it.
        parts: that are whole now, in their order.
        left: what the next piece goes on from.
    """

    size: int
    last: bool
    parts: tuple[NewPart, ...]
    left: LeftOver


async def take_in(tx: WriteTransaction, run_id: UUID, intake: Intake, offset: int, now: datetime) -> QuoteRunRow | None:
    """Keep a piece of an upload of the tenant's, if it begins where the run has come to.

    Args:
        tx: the transaction of this piece.
        run_id: the run.
        intake: the piece, cut by what was left over at this offset.
        offset: bytes of the upload before it.
        now: when it came.

    Returns:
        The run after it; None, and nothing is kept, where it is not receiving or has come to another offset.
    """
    taken = {
        "received_bytes": runs.c.received_bytes + intake.size,
        "received_all": intake.last,
        "bicycles": runs.c.bicycles + sum(part.bicycles for part in intake.parts),
        "parts": runs.c.parts + len(intake.parts),
        "changed_at": now,
    }
    here = and_(runs.c.state == literal("receiving"), runs.c.received_bytes == offset, ~runs.c.received_all)
    run = await quote_runs.change(tx, run_id, taken, here)
    if run is None:
        return None
    first = run.parts - len(intake.parts) + 1
    waiting = {"run_id": run_id, "state": "waiting", "attempts": 0} | ownership(tx.tenant)
    rows = [msgspec.structs.asdict(part) | waiting | {"number": n} for n, part in enumerate(intake.parts, first)]
    await tx.execute_for_each(insert_into(parts), rows)
    await quote_run_inputs.leave(tx, run_id, intake.left)
    if rows:
        await tx.announce(WORK)
    return run


async def part_answer(tx: ReadTransaction, run_id: UUID, number: int) -> bytes | None:
    """Return the answers of one part of the tenant's run, compressed; None while there are none, or no more."""
    this = and_(_of(tx, run_id), parts.c.number == number)
    rows = await tx.rows(select(parts.c.answer).where(this))
    return rows[0]["answer"] if rows else None


async def answered_since(tx: ReadTransaction, run_id: UUID, since: datetime) -> int:
    """Return how many bicycles of the tenant's run were answered later than at an instant."""
    total = select(func.sum(parts.c.bicycles).label("total")).where(_of(tx, run_id), parts.c.ended_at > since)
    (row,) = await tx.rows(total)
    return int(row["total"] or 0)


async def remove(tx: WriteTransaction, run_id: UUID, limit: int) -> int:
    """Remove up to ``limit`` parts of the tenant's run with their answers; return how many that were."""
    some = select(parts.c.number).where(_of(tx, run_id)).order_by(parts.c.number).limit(limit)
    return await tx.execute(delete(parts).where(_of(tx, run_id), parts.c.number.in_(some.scalar_subquery())))


async def are_left(tx: ReadTransaction, run_id: UUID) -> bool:
    """Tell whether anything of the tenant's run is there to be removed."""
    return bool(await tx.rows(select(parts.c.number).where(_of(tx, run_id)).limit(1)))


def _of(tx: ReadTransaction, run_id: UUID) -> ColumnElement[bool]:
    return and_(owned(parts, tx.tenant), parts.c.run_id == run_id)
