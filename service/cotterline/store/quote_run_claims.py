"""The parts of runs as workers see them: claimed for a while by the service itself, ended as the shop's.

A claim is a lease with a token, as for the outbox: once it has run out and another worker has claimed the part, the
first one's answers are dropped, and no bicycle counts twice.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, case, exists, func, or_, select, update

from cotterline.bench.quote_run_life import OPEN, WORKED, QuoteRunState
from cotterline.store import quote_runs
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.delivery_claims import Lease
from cotterline.store.quote_runs import BicycleForm, QuoteRunRow
from cotterline.store.tables import quote_run_parts as parts
from cotterline.store.tables import quote_runs as runs
from cotterline.store.tenancy import Tenant, owned


class WaitingRun(msgspec.Struct, frozen=True, kw_only=True):
    """A run with a part that nobody works on.

    Attributes:
        id: of the run.
        tenant: whose it is.
        bicycles_form: how its bicycles came in.
        answers_form: how its answers go out.
        derivation: whether every number says how it came about.
    """

    id: UUID
    tenant: Tenant
    bicycles_form: BicycleForm
    answers_form: BicycleForm
    derivation: bool


class ClaimedPart(msgspec.Struct, frozen=True, kw_only=True):
    """A part that a worker may work on until its lease runs out.

    Attributes:
        run: whose part it is.
        number: of the part, from 1.
        lines_before: lines between the heading and it.
        records_before: lines or rows between the heading and it.
        bicycles: in it.
        attempts: how often it has been claimed, this time included.
        lease: the token of this claim.
        question: its bicycles as they came in, compressed.
    """

    run: WaitingRun
    number: int
    lines_before: int
    records_before: int
    bicycles: int
    attempts: int
    lease: UUID
    question: bytes


class Answered(msgspec.Struct, frozen=True, kw_only=True):
    """What became of a part.

    Attributes:
        answer: every answer, compressed.
        quoted: bicycles that were quoted.
        refused: bicycles that could not be.
    """

    answer: bytes
    quoted: int
    refused: int


class RunLag(msgspec.Struct, frozen=True):
    """How far the workers of runs lie behind, over every shop.

    Attributes:
        open: runs that have not ended, by their state.
        parts: of runs that are worked, not answered yet; those that somebody works on are among them.
        oldest: since when nothing has come of the run that waits longest: no answer, no bicycles, no act of the shop's.
            None where no part waits for a worker.
    """

    open: Mapping[QuoteRunState, int]
    parts: int
    oldest: datetime | None


_PART = tuple(parts.c[name] for name in ClaimedPart.__struct_fields__ if name != "run")
_RUN = tuple(runs.c[name] for name in WaitingRun.__struct_fields__ if name != "tenant")


async def waiting(tx: ReadTransaction, lease: Lease) -> Sequence[WaitingRun]:
    """Return every run, whosesoever it is, of which something could be claimed; only the service itself may."""
    something = exists().where(parts.c.run_id == runs.c.id, *_free(lease))
    found = select(*_RUN, runs.c.shop_id, runs.c.mode).where(runs.c.state.in_(WORKED), something)
    return [
        WaitingRun(**{column.name: row[column.name] for column in _RUN}, tenant=Tenant(row["shop_id"], row["mode"]))
        for row in await tx.rows(found)
    ]


async def lag(tx: ReadTransaction, now: datetime) -> RunLag:
    """Return how far the workers lie behind, over every shop; only the service itself may.

    Parts are counted by what runs say of them, and of each run one part is looked at: it reads the runs whose answers
    are kept, however many parts they have.
    """
    this = and_(parts.c.run_id == runs.c.id, parts.c.state == "waiting")
    unheld = or_(parts.c.lease.is_(None), parts.c.leased_until <= now)
    free = select(parts.c.number).where(this, unheld).order_by(parts.c.number).limit(1).scalar_subquery()
    moved = func.coalesce(runs.c.changed_at, runs.c.worked_since)
    worked = runs.c.state.in_(WORKED)
    each = (
        select(
            runs.c.state,
            case((worked, runs.c.parts - runs.c.parts_done), else_=0).label("waiting"),
            case((and_(worked, free.is_not(None)), moved)).label("since"),
        )
        .where(runs.c.state.in_(OPEN), runs.c.removed_at.is_(None))
        .subquery()
    )
    figures = (
        func.count().label("count"),
        func.sum(each.c.waiting).label("waiting"),
        func.min(each.c.since).label("since"),
    )
    rows = await tx.rows(select(each.c.state, *figures).group_by(each.c.state))
    return RunLag(
        open={row["state"]: row["count"] for row in rows},
        parts=sum(int(row["waiting"]) for row in rows),
        oldest=min((row["since"] for row in rows if row["since"]), default=None),
    )


async def claim(tx: WriteTransaction, run: WaitingRun, lease: Lease) -> ClaimedPart | None:
    """Claim the first part of a run that nobody works on, if there still is one; only the service itself may.

    An attempt is counted here: one whose worker dies was one nevertheless.
    """
    worked = exists().where(runs.c.id == run.id, runs.c.state.in_(WORKED))
    first = (
        select(parts.c.number)
        .where(parts.c.run_id == run.id, *_free(lease), worked)
        .order_by(parts.c.number)
        .limit(1)
        .with_for_update(of=parts, skip_locked=True)
        .cte("first")  # a plain subquery that skips locked rows may run more than once
    )
    claimed = {"lease": lease.token, "leased_until": lease.until, "attempts": parts.c.attempts + 1}
    this = and_(parts.c.run_id == run.id, parts.c.number.in_(select(first.c.number)))
    rows = await tx.rows(update(parts).where(this).values(claimed).returning(*_PART))
    return ClaimedPart(**rows[0], run=run) if rows else None


async def end(tx: WriteTransaction, claimed: ClaimedPart, answered: Answered, at: datetime) -> QuoteRunRow | None:
    """Keep the answers of a part and count them in its run, together.

    Returns:
        The run after it; None, and nothing counts, where the claim stands no more or the run was cancelled.
    """
    done = {"state": "done", "ended_at": at, "question": None, "answer": answered.answer}
    if not await _report(tx, claimed, done):
        return None
    counted = {
        "quoted": runs.c.quoted + answered.quoted,
        "refused": runs.c.refused + answered.refused,
        "parts_done": runs.c.parts_done + 1,
        "changed_at": at,
    }
    return await quote_runs.change(tx, claimed.run.id, counted, runs.c.state.in_(OPEN))


async def give_back(tx: WriteTransaction, claimed: ClaimedPart) -> bool:
    """Undo a claim on a part that was not worked through; tell whether it still stood."""
    await tx.announce(quote_runs.WORK)
    return await _report(tx, claimed, {"attempts": parts.c.attempts - 1})


async def prolong(tx: WriteTransaction, claimed: ClaimedPart, until: datetime) -> bool:
    """Let a claim hold longer; tell whether it still stood."""
    return await tx.execute(update(parts).where(_mine(tx, claimed)).values({"leased_until": until})) == 1


async def _report(tx: WriteTransaction, claimed: ClaimedPart, said: dict[str, object]) -> bool:
    ended = {**said, "lease": None, "leased_until": None}
    return await tx.execute(update(parts).where(_mine(tx, claimed)).values(ended)) == 1


def _mine(tx: ReadTransaction, claimed: ClaimedPart) -> ColumnElement[bool]:
    held = and_(parts.c.lease == claimed.lease, parts.c.state == "waiting")
    return and_(owned(parts, tx.tenant), parts.c.run_id == claimed.run.id, parts.c.number == claimed.number, held)


def _free(lease: Lease) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """What nobody works on; a lease that ends later than any could was given by a clock that was set back since."""
    longest = lease.until + (lease.until - lease.now)
    unleased = or_(parts.c.lease.is_(None), parts.c.leased_until <= lease.now, parts.c.leased_until > longest)
    return parts.c.state == "waiting", unleased
