"""Runs for tests of what is done with them."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from uuid_utils.compat import uuid7

from cotterline.bench.quote_run_life import QuoteRunAction
from cotterline.bench.workshop import Workshop
from cotterline.delivery import quote_run_changes
from cotterline.delivery.quote_run_changes import At
from cotterline.store import quote_run_claims, quote_run_inputs, quote_run_parts, quote_runs
from cotterline.store.database import Database
from cotterline.store.delivery_claims import Lease
from cotterline.store.quote_run_claims import Answered, ClaimedPart
from cotterline.store.quote_run_inputs import LeftOver, QuoteRunInputs, packed
from cotterline.store.quote_run_parts import Intake, NewPart
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tenancy import SERVICE, Tenant

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
WEEK = timedelta(days=7)


def row(**changed: Any) -> QuoteRunRow:  # noqa: ANN401 -- any member
    """A run that was just made."""
    own: dict[str, Any] = {
        "id": uuid7(),
        "created_at": NOON,
        "actor": "till",
        "bicycles_form": "json_lines",
        "answers_form": "json_lines",
        "derivation": False,
        "worked_since": NOON,
    }
    return QuoteRunRow(**own | changed)


def intake(*bicycles: int, size: int = 100, last: bool = False, left: bytes = b"rest") -> Intake:
    """A piece that makes a part of each of these numbers of bicycles."""
    parts = [
        NewPart(lines_before=n, records_before=n, bicycles=count, question=packed(b"question %d" % n))
        for n, count in enumerate(bicycles)
    ]
    return Intake(size=size, last=last, parts=tuple(parts), left=LeftOver(b"", left))


async def made(database: Database, tenant: Tenant, workshop: Workshop | None = None, **changed: Any) -> QuoteRunRow:  # noqa: ANN401 -- any member
    """Keep a run."""
    run = row(**changed)
    inputs = QuoteRunInputs(run_id=run.id, base_url="https://bench.example", workshop=workshop or Workshop())
    async with database.write(tenant) as tx:
        await quote_runs.insert(tx, run)
        await quote_run_inputs.insert(tx, inputs)
    return run


async def take_in(
    database: Database, tenant: Tenant, run_id: UUID, piece: Intake, offset: int = 0
) -> QuoteRunRow | None:
    """Take a piece in."""
    async with database.write(tenant) as tx:
        return await quote_run_changes.take_in(tx, run_id, piece, offset, At(NOON, WEEK))


async def of_parts(database: Database, tenant: Tenant, *bicycles: int, last: bool = True) -> QuoteRunRow:
    """Keep a run that took in parts of these numbers of bicycles."""
    run = await made(database, tenant)
    taken = await take_in(database, tenant, run.id, intake(*bicycles, last=last))
    assert taken is not None
    return taken


async def get(database: Database, tenant: Tenant, run_id: UUID) -> QuoteRunRow:
    """A run as it is kept."""
    async with database.read(tenant) as tx:
        run = await quote_runs.get(tx, run_id)
    assert run is not None
    return run


async def act(
    database: Database,
    tenant: Tenant,
    run_id: UUID,
    action: QuoteRunAction,
    now: datetime = NOON,
) -> QuoteRunRow:
    """Do something to a run."""
    async with database.write(tenant) as tx:
        run = await quote_run_changes.act(tx, run_id, action, At(now, WEEK))
    assert run is not None
    return run


async def answer_of(database: Database, tenant: Tenant, run_id: UUID, number: int) -> bytes | None:
    """The answers of a part, compressed."""
    async with database.read(tenant) as tx:
        return await quote_run_parts.part_answer(tx, run_id, number)


def lease(now: datetime = NOON) -> Lease:
    """A hold of a minute."""
    return Lease(token=uuid4(), now=now, until=now + MINUTE)


async def waiting(database: Database, now: datetime = NOON) -> Sequence[UUID]:
    """The runs of which something can be claimed."""
    async with database.read(SERVICE) as tx:
        return [each.id for each in await quote_run_claims.waiting(tx, lease(now))]


async def claim(database: Database, run_id: UUID, now: datetime = NOON) -> ClaimedPart | None:
    """Claim a part of a run."""
    async with database.read(SERVICE) as tx:
        found = [each for each in await quote_run_claims.waiting(tx, lease(now)) if each.id == run_id]
    return await claim_of(database, found[0], now) if found else None


async def claim_of(database: Database, run: quote_run_claims.WaitingRun, now: datetime = NOON) -> ClaimedPart | None:
    """Claim a part of a run that was seen to have one."""
    async with database.write(SERVICE) as tx:
        return await quote_run_claims.claim(tx, run, lease(now))


async def end(
    database: Database, claimed: ClaimedPart, now: datetime = NOON, told: bytes = b"told"
) -> QuoteRunRow | None:
    """End a part with one bicycle refused and the others quoted."""
    answered = Answered(answer=told, quoted=claimed.bicycles - 1, refused=1)
    async with database.write(claimed.run.tenant) as tx:
        return await quote_run_changes.end_part(tx, claimed, answered, At(now, WEEK))
