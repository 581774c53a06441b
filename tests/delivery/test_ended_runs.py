"""Answers of a run are kept until their time is over, then removed, and the run itself says so."""

import asyncio
from datetime import timedelta
from uuid import UUID

import pytest

from cotterline.delivery import sweeps
from cotterline.delivery.ended_runs import EndedRuns
from cotterline.store import quote_run_inputs, quote_run_parts, quote_runs
from cotterline.store.database import Database
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import Clock
from tests.shops import Shops
from tests.store.running import NOON, WEEK, act, answer_of, claim, end, get, of_parts

pytestmark = pytest.mark.anyio

INSTANT = timedelta(microseconds=1)


async def finished(database: Database, tenant: Tenant, parts: int = 2) -> QuoteRunRow:
    """Keep a run whose parts are all answered, since noon."""
    run = await of_parts(database, tenant, *([5] * parts))
    for _ in range(parts):
        claimed = await claim(database, run.id)
        assert claimed is not None
        await end(database, claimed)
    return await get(database, tenant, run.id)


async def is_there(database: Database, tenant: Tenant, run_id: UUID) -> bool:
    async with database.read(tenant) as tx:
        parts = await quote_run_parts.are_left(tx, run_id)
        inputs = await quote_run_inputs.get(tx, run_id) is not None
    assert parts == inputs
    return parts


async def test_answers_are_kept_to_the_moment_their_time_is_over(database: Database, tenant: Tenant) -> None:
    run = await finished(database, tenant)
    clock = Clock(NOON + WEEK - INSTANT)
    assert await EndedRuns(database, clock).sweep() == 0
    assert await answer_of(database, tenant, run.id, 2) == b"told"
    clock.now += INSTANT
    assert await EndedRuns(database, clock).sweep() == 1
    assert not await is_there(database, tenant, run.id)
    kept = await get(database, tenant, run.id)
    assert (kept.state, kept.bicycles, kept.removed_at) == ("finished", 10, clock.now)
    assert await EndedRuns(database, clock).sweep() == 0
    assert (await get(database, tenant, run.id)).version == kept.version


async def test_what_was_removed_is_counted(database: Database, tenant: Tenant) -> None:
    for _ in range(2):
        await finished(database, tenant)
    counted: list[tuple[str, int]] = []
    await EndedRuns(database, Clock(NOON + WEEK)).sweep(lambda *told: counted.append(told))
    assert {sought for sought, _ in counted} == {"ended runs"}
    assert sum(settled for _, settled in counted) == 2


async def test_a_cancelled_run_keeps_nothing(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, 6, 7)
    await act(database, tenant, run.id, "cancel")
    assert await EndedRuns(database, Clock(NOON)).sweep() == 1
    assert not await is_there(database, tenant, run.id)
    async with database.read(tenant) as tx:
        assert await quote_runs.kept_bytes(tx) == 0


async def test_runs_that_have_not_ended_are_left_alone(database: Database, tenant: Tenant) -> None:
    runs = [await of_parts(database, tenant, 5, last=last) for last in (True, False)]
    await act(database, tenant, runs[0].id, "pause")
    assert await EndedRuns(database, Clock(NOON + 99 * WEEK)).sweep() == 0
    assert all([await is_there(database, tenant, run.id) for run in runs])


async def test_more_than_fit_one_transaction_are_removed_in_several(
    database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    runs = [await finished(database, tenant, parts) for parts in (5, 4, 0)]
    assert await EndedRuns(database, Clock(NOON + WEEK)).sweep() == 3
    assert not any([await is_there(database, tenant, run.id) for run in runs])


async def test_two_that_sweep_at_once_leave_nothing_and_tell_once(
    database_url: str, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    run = await finished(database, tenant, 9)
    other = await Database.open(database_url)
    clock = Clock(NOON + WEEK)
    counts = await asyncio.gather(EndedRuns(database, clock).sweep(), EndedRuns(other, clock).sweep())
    await other.close()
    assert sum(counts) == 1
    assert not await is_there(database, tenant, run.id)
    assert (await get(database, tenant, run.id)).version == run.version + 1


async def test_every_shop_is_swept_in_either_mode(database: Database, shops_there: Shops) -> None:
    runs = {shop.tenant: await finished(database, shop.tenant, 1) for shop in shops_there}
    assert await EndedRuns(database, Clock(NOON + WEEK)).sweep() == 3
    for tenant, run in runs.items():
        assert not await is_there(database, tenant, run.id)
