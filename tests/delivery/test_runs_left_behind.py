"""A run that nobody goes on with ends by itself, and one that somebody works on does not."""

import asyncio
from datetime import timedelta

import pytest

from cotterline.bench.quote_run_life import QuoteRunState
from cotterline.delivery.runs_left_behind import RunsLeftBehind
from cotterline.store import audit, events, quote_runs
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import Clock
from tests.shops import Shops
from tests.store.running import MINUTE, NOON, WEEK, act, claim, end, get, intake, made, of_parts, take_in

pytestmark = pytest.mark.anyio


async def swept(database: Database, after: timedelta) -> int:
    return await RunsLeftBehind(database, Clock(NOON + after), WEEK).sweep()


@pytest.mark.parametrize("paused", [False, True])
async def test_a_run_that_waits_for_somebody_is_cancelled_after_its_time_and_told_of_once(
    database: Database, tenant: Tenant, *, paused: bool
) -> None:
    run = await of_parts(database, tenant, 5, last=False)
    if paused:
        await act(database, tenant, run.id, "pause")
    assert await swept(database, WEEK) == 0
    assert await swept(database, WEEK + MINUTE) == 1
    assert await swept(database, WEEK + MINUTE) == 0
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.finished_at, ended.kept_until) == (
        "cancelled",
        NOON + WEEK + MINUTE,
        NOON + WEEK + MINUTE,
    )
    async with database.read(tenant) as tx:
        assert await quote_runs.open_runs(tx) == 0
        (event,) = await events.after(tx, 0, 9)
        (entry,) = (await audit.page(tx, None, 9, str(run.id))).entries
    assert (event.type, event.resource_id) == ("quote_run.cancelled", str(run.id))
    assert (entry.action, entry.actor) == ("quote_run.cancelled", "service")


async def test_a_run_of_which_nothing_came_counts_from_when_it_was_made(database: Database, tenant: Tenant) -> None:
    run = await made(database, tenant)
    assert (run.changed_at, await swept(database, WEEK)) == (None, 0)
    assert await swept(database, WEEK + MINUTE) == 1


async def test_whatever_happens_to_a_run_gives_it_time_again(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, 6, last=False)
    claimed = await claim(database, run.id)
    assert claimed is not None
    await end(database, claimed, NOON + WEEK)
    await act(database, tenant, (await of_parts(database, tenant, last=False)).id, "pause", NOON + WEEK)
    assert await swept(database, WEEK + MINUTE) == 0
    assert await swept(database, 2 * WEEK + MINUTE) == 2


@pytest.mark.parametrize("state", ["working", "finished", "cancelled"])
async def test_a_run_that_waits_for_nobody_is_left_alone(
    database: Database, tenant: Tenant, state: QuoteRunState
) -> None:
    run = await of_parts(database, tenant, *([5] if state == "working" else []), last=state != "cancelled")
    if state == "cancelled":
        await act(database, tenant, run.id, "cancel")
    before = await get(database, tenant, run.id)
    assert before.state == state
    assert await swept(database, 99 * WEEK) == 0
    assert await get(database, tenant, run.id) == before


async def test_two_that_sweep_at_once_cancel_it_once(database_url: str, database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, last=False)
    other = await Database.open(database_url)
    counts = await asyncio.gather(swept(database, 2 * WEEK), swept(other, 2 * WEEK))
    await other.close()
    assert sum(counts) == 1
    async with database.read(tenant) as tx:
        assert [event.resource_id for event in await events.after(tx, 0, 9)] == [str(run.id)]


async def test_every_shop_is_swept_in_either_mode(database: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        await take_in(database, shop.tenant, (await made(database, shop.tenant)).id, intake(3))
    assert await swept(database, 2 * WEEK) == 3
