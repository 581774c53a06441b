"""Claims on parts of runs: each to one worker at a time, and nothing changed by who comes too late."""

import asyncio
import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import event, text

from cotterline.bench.quote_run_life import QuoteRunAction
from cotterline.store import quote_run_claims
from cotterline.store.database import Database
from cotterline.store.quote_run_claims import RunLag
from cotterline.store.quote_run_inputs import unpacked
from cotterline.store.tenancy import ENTER, SERVICE, Tenant, settings
from tests.shops import Shop
from tests.store.running import MINUTE, NOON, act, answer_of, claim, claim_of, end, get, lease, of_parts, waiting

pytestmark = pytest.mark.anyio


async def lag(database: Database, now: datetime = NOON) -> RunLag:
    async with database.read(SERVICE) as tx:
        return await quote_run_claims.lag(tx, now)


async def test_a_part_is_claimed_with_all_that_is_worked_on(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, 6)
    await claim(database, run.id)
    claimed = await claim(database, run.id)
    assert claimed is not None
    assert (claimed.run.id, claimed.run.tenant, claimed.number, claimed.bicycles) == (run.id, tenant, 2, 6)
    assert (claimed.lines_before, claimed.records_before, claimed.attempts) == (1, 1, 1)
    assert (claimed.run.bicycles_form, claimed.run.answers_form, claimed.run.derivation) == (
        "json_lines",
        "json_lines",
        False,
    )
    assert unpacked(claimed.question) == b"question 1"


async def test_a_claim_holds_until_its_lease_runs_out(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    first = await claim(database, run.id)
    assert await waiting(database, NOON + MINUTE - timedelta(microseconds=1)) == []
    second = await claim(database, run.id, NOON + MINUTE)
    assert first is not None
    assert second is not None
    assert (second.number, second.attempts) == (1, 2)
    assert second.lease != first.lease


async def test_of_two_that_worked_on_one_part_the_one_that_holds_the_lease_counts(
    database: Database, tenant: Tenant
) -> None:
    run = await of_parts(database, tenant, 5)
    first = await claim(database, run.id)
    second = await claim(database, run.id, NOON + MINUTE)
    assert first is not None
    assert second is not None
    assert await end(database, first, told=b"first") is None
    assert await answer_of(database, tenant, run.id, 1) is None
    assert await end(database, second, told=b"second") is not None
    assert await end(database, second, told=b"again") is None
    assert await answer_of(database, tenant, run.id, 1) == b"second"
    kept = await get(database, tenant, run.id)
    assert (kept.quoted, kept.refused, kept.parts_done, kept.state) == (4, 1, 1, "finished")


async def test_a_lease_that_ran_out_still_counts_while_nobody_else_claimed(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    claimed = await claim(database, run.id)
    assert claimed is not None
    assert await end(database, claimed, NOON + 9 * MINUTE) is not None


async def test_a_lease_may_be_made_longer_while_it_is_held(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    claimed = await claim(database, run.id)
    assert claimed is not None
    async with database.write(tenant) as tx:
        assert await quote_run_claims.prolong(tx, claimed, NOON + 2 * MINUTE)
    assert await claim(database, run.id, NOON + MINUTE) is None
    assert await claim(database, run.id, NOON + 2 * MINUTE) is not None
    async with database.write(tenant) as tx:
        assert not await quote_run_claims.prolong(tx, claimed, NOON + 9 * MINUTE)


async def test_what_is_given_back_is_claimed_again_and_counts_as_no_attempt(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    claimed = await claim(database, run.id)
    assert claimed is not None
    async with database.write(tenant) as tx:
        assert await quote_run_claims.give_back(tx, claimed)
        assert not await quote_run_claims.give_back(tx, claimed)
    again = await claim(database, run.id)
    assert again is not None
    assert again.attempts == 1


@pytest.mark.parametrize("action", ["pause", "cancel"])
async def test_nothing_is_claimed_of_a_run_that_stands_still(
    database: Database, tenant: Tenant, action: QuoteRunAction
) -> None:
    run = await of_parts(database, tenant, 5, 6)
    async with database.read(SERVICE) as tx:
        (seen,) = await quote_run_claims.waiting(tx, lease())
    claimed = await claim(database, run.id)
    await act(database, tenant, run.id, action)
    assert await waiting(database, NOON + 9 * MINUTE) == []
    assert await claim_of(database, seen) is None  # it was seen just before
    assert claimed is not None
    ended = await end(database, claimed)
    assert (ended is None) == (action == "cancel")


async def test_workers_that_claim_at_once_get_different_parts(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, *([5] * 12))
    found = await asyncio.gather(*(claim(database, run.id) for _ in range(12)))
    assert sorted(each.number for each in found if each) == [*range(1, 13)]


async def test_counts_of_parts_that_end_at_once_add_up(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, *([5] * 12))
    found = [await claim(database, run.id) for _ in range(12)]
    await asyncio.gather(*(end(database, each) for each in found if each))
    kept = await get(database, tenant, run.id)
    assert (kept.quoted, kept.refused, kept.parts_done, kept.state) == (48, 12, 12, "finished")


async def test_runs_of_every_shop_are_seen_to_wait(database: Database, tenant: Tenant, shop_b: Shop) -> None:
    runs = [await of_parts(database, each, 5, last=False) for each in (tenant, shop_b.tenant)]
    await of_parts(database, tenant)
    assert set(await waiting(database)) == {run.id for run in runs}


async def test_a_lease_from_a_clock_that_was_set_back_does_not_hold(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    await claim(database, run.id, NOON + 60 * MINUTE)
    assert await claim(database, run.id, NOON) is not None


async def test_the_lag_counts_runs_by_state_and_parts_to_be_answered_of_every_shop(
    database: Database, tenant: Tenant, shop_b: Shop
) -> None:
    assert await lag(database) == RunLag(open={}, parts=0, oldest=None)
    run = await of_parts(database, tenant, 5, 6, 7)
    await of_parts(database, shop_b.tenant, 5, last=False)
    paused = await of_parts(database, tenant, 5, 6)
    await act(database, tenant, paused.id, "pause")
    cancelled = await of_parts(database, tenant, 5)
    await act(database, tenant, cancelled.id, "cancel")
    claimed = await claim(database, run.id)
    assert claimed is not None
    found = await lag(database)
    assert (found.open, found.parts) == ({"working": 1, "receiving": 1, "paused": 1}, 4)
    await end(database, claimed)
    assert (await lag(database)).parts == 3


async def test_the_lag_is_since_anything_came_of_the_run_that_waits_longest(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, 6)
    assert (await lag(database, NOON + 9 * MINUTE)).oldest == NOON
    first = await claim(database, run.id)
    assert first is not None
    await end(database, first, NOON + 3 * MINUTE)
    assert (await lag(database, NOON + 9 * MINUTE)).oldest == NOON + 3 * MINUTE
    await of_parts(database, tenant, 5)
    assert (await lag(database, NOON + 9 * MINUTE)).oldest == NOON


async def test_nothing_waits_of_a_run_whose_parts_are_held_or_that_stands_still(
    database: Database, tenant: Tenant
) -> None:
    run = await of_parts(database, tenant, 5)
    await claim(database, run.id)
    assert (await lag(database)).oldest is None
    assert (await lag(database, NOON + MINUTE)).oldest == NOON  # the lease ran out
    await act(database, tenant, run.id, "pause")
    assert (await lag(database, NOON + MINUTE)).oldest is None
    await act(database, tenant, run.id, "resume", NOON + 5 * MINUTE)
    assert (await lag(database, NOON + 9 * MINUTE)).oldest == NOON + 5 * MINUTE


async def test_the_lag_looks_at_one_part_of_a_run_however_many_there_are(
    database: Database, tenant: Tenant, backend: str
) -> None:
    for _ in range(3):
        await of_parts(database, tenant, *([5] * 200))
    sent: list[tuple[str, Any]] = []

    @event.listens_for(database._reader.sync_engine, "before_cursor_execute")
    def record(*told: Any) -> None:  # noqa: ANN401 -- as the event passes them: connection, cursor, statement, ...
        sent.append((told[2], told[3]))

    await lag(database)
    plan = await explained(database, *sent[-1], backend)
    assert {*re.findall(r"ix_quote_run_parts_\w+", plan)} == {"ix_quote_run_parts_waiting"}
    if backend == "postgresql":
        read = re.findall(r"on quote_run_parts.*?rows=(\d+)\.?\d* loops", plan)
        assert {int(each) for each in read} <= {0, 1}, plan
    else:
        assert not re.search(r"SCAN quote_run_parts\b", plan), plan


async def explained(database: Database, statement: str, parameters: Sequence[Any], backend: str) -> str:
    """How a statement of the service itself is carried out; on PostgreSQL with the rows that each step read."""
    async with database._reader.connect() as connection:
        explain = "EXPLAIN QUERY PLAN "
        if backend == "postgresql":
            await connection.execute(ENTER, settings(SERVICE))
            for way in ("seqscan", "bitmapscan"):  # with statistics of more rows it takes neither
                await connection.execute(text(f"SET LOCAL enable_{way} = off"))
            explain = "EXPLAIN (ANALYZE, COSTS OFF, TIMING OFF) "
        return "\n".join(str(row) for row in (await connection.exec_driver_sql(explain + statement, parameters)).all())
