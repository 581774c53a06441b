"""Workers of runs: each part once, whatever happens to whom, and a run that stands still stands still."""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import update

from cotterline.bench.workshop import Workshop
from cotterline.delivery.quote_run_changes import end_part
from cotterline.runs.part import RunBench, answered
from cotterline.runs.worker import BENCHES, LONGEST, TRIES, RunWorker
from cotterline.store import events, quote_run_claims, quote_run_inputs
from cotterline.store.database import Database
from cotterline.store.quote_run_claims import Answered, ClaimedPart
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tables import quote_run_parts
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import Clock
from tests.runs.upload import answers, lines, uploaded
from tests.shops import Shop
from tests.store.running import MINUTE, NOON, WEEK, act, claim, get, of_parts

pytestmark = pytest.mark.anyio

EMPTY_LINES = b"{}\n" * 256
"""A part whose bicycles are all refused at once, so that many parts take no time."""


@pytest.fixture
def clock() -> Clock:
    """Give a clock at noon."""
    return Clock(NOON)


@pytest.fixture
def worker(database: Database, clock: Clock) -> RunWorker:
    """Work by the test's clock."""
    return RunWorker(database, WEEK, clock=clock, lease=MINUTE)


async def work_all(*workers: RunWorker) -> int:
    """Have workers work side by side until nothing is waiting; gives how many parts that took."""

    async def work(one: RunWorker) -> int:
        parts = 0
        while await one.work_once():
            parts += 1
        return parts

    return sum(await asyncio.gather(*(work(one) for one in workers)))


async def places(database: Database, tenant: Tenant, run_id: UUID) -> list[str]:
    told = b"".join(await answers(database, tenant, run_id))
    return [msgspec.json.decode(line)["place"] for line in told.splitlines()]


async def test_a_run_is_worked_through_in_order(
    worker: RunWorker, database: Database, tenant: Tenant, clock: Clock
) -> None:
    run = await uploaded(database, tenant, lines(300, 1))
    assert (run.state, run.bicycles, run.parts) == ("working", 300, 2)
    assert await work_all(worker) == 2
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.quoted, ended.refused, ended.parts_done) == ("finished", 30, 270, 2)
    assert (ended.finished_at, ended.kept_until) == (clock.now, clock.now + WEEK)
    assert await places(database, tenant, run.id) == [f"line {n}" for n in range(1, 301)]
    async with database.read(tenant) as tx:
        assert [event.type for event in await events.after(tx, 0, 9)] == ["quote_run.finished"]


async def test_two_workers_do_each_part_once(database: Database, tenant: Tenant, clock: Clock) -> None:
    run = await uploaded(database, tenant, EMPTY_LINES * 12)
    workers = [RunWorker(database, WEEK, clock=clock) for _ in range(2)]
    assert await work_all(*workers) == 12
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.quoted, ended.refused, ended.parts_done) == ("finished", 0, 12 * 256, 12)
    assert await places(database, tenant, run.id) == [f"line {n}" for n in range(1, 12 * 256 + 1)]


async def test_what_is_received_is_worked_on_while_more_comes(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    run = await uploaded(database, tenant, EMPTY_LINES + b"{}", last=False)
    assert await work_all(worker) == 1
    run = await get(database, tenant, run.id)
    assert (run.state, run.refused, run.parts_done) == ("receiving", 256, 1)


async def test_every_part_is_quoted_with_the_workshop_of_the_creation(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    settings = msgspec.structs.replace(Workshop().profile.calculation, units="in")
    profile = msgspec.structs.replace(Workshop().profile, calculation=settings)
    run = await uploaded(database, tenant, lines(1), workshop=Workshop(profile=profile))
    await work_all(worker)
    (told,) = await answers(database, tenant, run.id)
    assert msgspec.json.decode(told)["result"]["settings"]["units"] == "in"


async def test_a_workshop_is_read_once_and_few_are_kept(
    worker: RunWorker, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[UUID] = []
    get_inputs = quote_run_inputs.get

    async def counting(tx: Any, run_id: UUID) -> Any:  # noqa: ANN401 -- as it is
        read.append(run_id)
        return await get_inputs(tx, run_id)

    monkeypatch.setattr(quote_run_inputs, "get", counting)
    runs = [await uploaded(database, tenant, EMPTY_LINES * 2) for _ in range(2)]
    await work_all(worker)
    assert sorted(read) == sorted(run.id for run in runs)
    for _ in range(BENCHES):
        await uploaded(database, tenant, b"{}")
    await work_all(worker)
    assert len(worker._benches) == BENCHES


async def test_turns_go_round_the_shops_and_round_the_runs_of_each(
    worker: RunWorker, database: Database, tenant: Tenant, shop_b: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = [await uploaded(database, tenant, EMPTY_LINES * 4) for _ in range(2)]
    other = await uploaded(database, shop_b.tenant, EMPTY_LINES * 3)
    turns: list[UUID] = []

    def noting(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        turns.append(part.run.id)
        return answered(part, bench, goes_on)

    monkeypatch.setattr("cotterline.runs.worker.answered", noting)
    await work_all(worker)
    names = {first[0].id: "a1", first[1].id: "a2", other.id: "b"}
    told = [names[turn] for turn in turns]
    shops = [name[0] for name in told]
    assert sorted(shops[:6]) == ["a", "a", "a", "b", "b", "b"]
    assert all(one != two for one, two in pairwise(shops[:6]))
    mine = [name for name in told if name != "b"]
    assert all(one != two for one, two in pairwise(mine))


async def test_a_paused_run_is_not_begun_and_goes_on_when_it_is_resumed(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    run = await uploaded(database, tenant, EMPTY_LINES * 2)
    await worker.work_once()
    await act(database, tenant, run.id, "pause")
    assert await work_all(worker) == 0
    await act(database, tenant, run.id, "resume")
    assert await work_all(worker) == 1
    assert (await get(database, tenant, run.id)).state == "finished"


def cancelling(database: Database, run: QuoteRunRow, tenant: Tenant) -> Callable[..., Answered]:
    """Work on a part of a run that somebody cancels meanwhile."""
    loop = asyncio.get_running_loop()

    def work(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        asyncio.run_coroutine_threadsafe(act(database, tenant, run.id, "cancel"), loop).result()
        return answered(part, bench, goes_on)

    return work


async def test_what_is_worked_on_when_a_run_is_cancelled_counts_no_more(
    worker: RunWorker, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, EMPTY_LINES * 2)
    monkeypatch.setattr("cotterline.runs.worker.answered", cancelling(database, run, tenant))
    assert await worker.work_once()
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.refused, ended.parts_done) == ("cancelled", 0, 0)
    assert await work_all(worker) == 0


async def test_of_two_workers_on_one_part_the_later_claim_counts(
    database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, lines(261, 1))
    slow, quick = (RunWorker(database, WEEK, clock=clock, lease=MINUTE) for _ in range(2))
    loop = asyncio.get_running_loop()

    def overtaken(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        if part.attempts + part.number == 2:
            clock.step(minutes=2)  # as if the claim could not be made longer
            asyncio.run_coroutine_threadsafe(quick.work_once(), loop).result()
        found = answered(part, bench, goes_on)
        return msgspec.structs.replace(found, quoted=found.quoted + 100 * (2 - part.attempts) * (2 - part.number))

    monkeypatch.setattr("cotterline.runs.worker.answered", overtaken)
    assert await slow.work_once()
    assert (await get(database, tenant, run.id)).parts_done == 1
    assert await work_all(slow) == 1
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.quoted, ended.refused, ended.parts_done) == ("finished", 27, 234, 2)


async def test_a_claim_is_made_longer_while_the_work_goes_on(
    database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, lines(3))
    worker = RunWorker(database, WEEK, clock=clock, lease=timedelta(seconds=0.3))
    prolonged = asyncio.Event()
    prolong = quote_run_claims.prolong
    loop = asyncio.get_running_loop()

    async def noting(tx: Any, claimed: ClaimedPart, until: Any) -> Any:  # noqa: ANN401 -- as it is
        found = await prolong(tx, claimed, until)
        prolonged.set()
        return found

    def slowly(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        clock.step(seconds=0.2)
        asyncio.run_coroutine_threadsafe(prolonged.wait(), loop).result()
        return answered(part, bench, goes_on)

    monkeypatch.setattr(quote_run_claims, "prolong", noting)
    monkeypatch.setattr("cotterline.runs.worker.answered", slowly)
    task = asyncio.create_task(worker.work_once())
    await prolonged.wait()
    assert await claim(database, run.id, NOON + timedelta(seconds=0.4)) is None
    assert await task
    assert (await get(database, tenant, run.id)).state == "finished"
    assert worker._lease < LONGEST


async def test_a_worker_that_lost_its_claim_leaves_the_part(
    worker: RunWorker, database: Database, tenant: Tenant, clock: Clock
) -> None:
    run = await uploaded(database, tenant, lines(3))
    mine = await claim(database, run.id)
    assert mine is not None
    clock.step(minutes=2)
    assert await claim(database, run.id, clock.now) is not None
    assert not await worker._prolong(mine)


async def test_a_worker_told_to_stop_gives_its_part_back(
    worker: RunWorker, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, lines(20))
    begun = asyncio.Event()
    loop = asyncio.get_running_loop()

    def noting(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        def ask() -> bool:
            loop.call_soon_threadsafe(begun.set)
            asyncio.run_coroutine_threadsafe(asyncio.sleep(0.05), loop).result()
            return bool(goes_on())

        return answered(part, bench, ask)

    monkeypatch.setattr("cotterline.runs.worker.answered", noting)
    running = asyncio.create_task(worker.run())
    await begun.wait()
    worker.stop()
    async with asyncio.timeout(20):
        await running
    assert (await get(database, tenant, run.id)).parts_done == 0
    again = await claim(database, run.id)
    assert again is not None
    assert again.attempts == 1


async def test_a_part_that_was_tried_too_often_is_refused_and_the_run_goes_on(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    run = await uploaded(database, tenant, lines(261, 1))
    poisonous = update(quote_run_parts).where(quote_run_parts.c.number == 1).values({"attempts": TRIES})
    async with database.write(tenant) as tx:
        await tx.execute(poisonous)
    await work_all(worker)
    ended = await get(database, tenant, run.id)
    assert (ended.state, ended.quoted, ended.refused) == ("finished", 1, 260)
    told = [msgspec.json.decode(line) for line in b"".join(await answers(database, tenant, run.id)).splitlines()]
    assert [line["place"] for line in told] == [f"line {n}" for n in range(1, 262)]
    assert told[0]["problem"]["type"] == "https://bench.example/problems/internal-error"


async def test_the_last_try_still_quotes(worker: RunWorker, database: Database, tenant: Tenant) -> None:
    run = await uploaded(database, tenant, lines(3))
    async with database.write(tenant) as tx:
        await tx.execute(update(quote_run_parts).values({"attempts": TRIES - 1}))
    await work_all(worker)
    assert (await get(database, tenant, run.id)).quoted == 3


async def test_an_error_of_our_own_costs_one_try_and_the_worker_goes_on(
    worker: RunWorker, database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, lines(3))

    def failing(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        if part.attempts < 3:
            raise MemoryError
        return answered(part, bench, goes_on)

    monkeypatch.setattr("cotterline.runs.worker.answered", failing)
    for _ in range(3):
        assert await work_all(worker) == 1
        clock.step(minutes=1)
    assert (await get(database, tenant, run.id)).quoted == 3


async def test_a_worker_is_woken_by_what_comes_in(
    database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cotterline.runs.worker.POLL_SECONDS", 600.0)
    worker = RunWorker(database, WEEK)
    running = asyncio.create_task(worker.run())
    await asyncio.sleep(0.2)
    run = await uploaded(database, tenant, lines(2))
    async with asyncio.timeout(20):
        while (await get(database, tenant, run.id)).state != "finished":  # noqa: ASYNC110 -- a state of the database
            await asyncio.sleep(0.02)
    worker.stop()
    await running


async def test_the_loop_goes_on_while_a_part_is_worked_on(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    await uploaded(database, tenant, lines(30))
    task = asyncio.create_task(worker.work_once())
    turns = 0
    while not task.done():
        await asyncio.sleep(0.001)
        turns += 1
    assert turns > 30  # once or more for each bicycle


async def test_a_run_that_is_gone_when_its_part_is_claimed_is_left(
    worker: RunWorker, database: Database, tenant: Tenant
) -> None:
    run = await of_parts(database, tenant, 5)
    async with database.write(tenant) as tx:
        await quote_run_inputs.remove(tx, run.id)
    assert await worker.work_once()
    assert (await get(database, tenant, run.id)).parts_done == 0


async def test_a_worker_without_a_database_waits_for_it(
    database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, b"{}")
    worker = RunWorker(database, WEEK, clock=clock)
    left: list[type[Exception]] = [ConnectionError, TimeoutError]
    end = end_part

    async def failing(*given: Any) -> Any:  # noqa: ANN401 -- as it is
        if left:
            raise left.pop()
        return await end(*given)

    monkeypatch.setattr("cotterline.runs.worker.end_part", failing)
    assert await worker.work_once()
    assert (await get(database, tenant, run.id)).refused == 1
