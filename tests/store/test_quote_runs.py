"""Runs: a piece counts once at its place, figures are the tenant's own, pages follow each other newest first."""

import asyncio
from datetime import timedelta
from typing import Any

import msgspec
import pytest
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.store import events, quote_run_inputs, quote_run_parts, quote_runs
from cotterline.store.database import Database
from cotterline.store.quote_run_inputs import LeftOver
from cotterline.store.quote_runs import CHANGED, WORK, QuoteRunRow
from cotterline.store.tenancy import SERVICE, Tenant
from tests.shops import Shop, Shops
from tests.store.running import (
    MINUTE,
    NOON,
    WEEK,
    act,
    answer_of,
    claim,
    end,
    get,
    intake,
    lease,
    made,
    of_parts,
    row,
    take_in,
    waiting,
)

pytestmark = pytest.mark.anyio


async def test_a_run_is_kept_as_it_was_made(database: Database, tenant: Tenant) -> None:
    run = await made(
        database, tenant, reference="spring", bicycles_form="csv", answers_form="json_lines", derivation=True
    )
    assert await get(database, tenant, run.id) == run


async def test_pieces_follow_each_other_and_count(database: Database, tenant: Tenant) -> None:
    run = await made(database, tenant)
    first = await take_in(database, tenant, run.id, intake(256, 256, size=900, left=b"one"))
    assert first == msgspec.structs.replace(run, version=2, received_bytes=900, bicycles=512, parts=2, changed_at=NOON)
    second = await take_in(database, tenant, run.id, intake(9, size=30, last=True, left=b"two"), 900)
    assert second == msgspec.structs.replace(
        first, version=4, received_bytes=930, bicycles=521, parts=3, received_all=True, state="working"
    )
    async with database.read(tenant) as tx:
        assert await quote_run_inputs.left_over(tx, run.id) == LeftOver(b"", b"two")
    found = [await claim(database, run.id) for _ in range(4)]
    assert [each and (each.number, each.bicycles) for each in found] == [(1, 256), (2, 256), (3, 9), None]


@pytest.mark.parametrize("offset", [0, 99, 101])
async def test_a_piece_at_another_place_changes_nothing(database: Database, tenant: Tenant, offset: int) -> None:
    run = await of_parts(database, tenant, 5, last=False)
    assert await take_in(database, tenant, run.id, intake(7, left=b"other"), offset) is None
    assert await get(database, tenant, run.id) == run
    async with database.read(tenant) as tx:
        assert await quote_run_inputs.left_over(tx, run.id) == LeftOver(b"", b"rest")


async def test_of_two_pieces_for_one_place_one_is_kept(database: Database, tenant: Tenant) -> None:
    run = await made(database, tenant)
    pieces = [intake(3, size=10), intake(4, size=20)]
    found = await asyncio.gather(*(take_in(database, tenant, run.id, piece) for piece in pieces))
    assert sum(each is not None for each in found) == 1
    kept = await get(database, tenant, run.id)
    assert (kept.received_bytes, kept.bicycles, kept.parts) in {(10, 3, 1), (20, 4, 1)}


@pytest.mark.parametrize("action", ["pause", "cancel", None])
async def test_nothing_is_taken_in_by_a_run_that_is_not_receiving(
    database: Database,
    tenant: Tenant,
    action: Any,  # noqa: ANN401 -- an action or none
) -> None:
    run = await of_parts(database, tenant, 5, last=action is None)
    before = await act(database, tenant, run.id, action) if action else run
    assert await take_in(database, tenant, run.id, intake(7), 100) is None
    assert await get(database, tenant, run.id) == before


async def test_an_upload_of_nothing_is_a_finished_run(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant)
    assert (run.state, run.finished_at, run.kept_until, run.version) == ("finished", NOON, NOON + WEEK, 3)
    async with database.read(tenant) as tx:
        (event,) = await events.after(tx, 0, 9)
    told = msgspec.json.decode(event.body)
    assert (event.type, event.resource_id, event.sequence) == ("quote_run.finished", str(run.id), 3)
    assert (told["data"]["state"], told["data"]["progress"]) == ("finished", {"percent": 100.0})


async def test_a_run_is_finished_by_its_last_part_and_told_of_once(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, 6)
    ended = None
    for number in (1, 2):
        assert (await get(database, tenant, run.id)).state == "working"
        claimed = await claim(database, run.id)
        assert claimed is not None
        ended = await end(database, claimed, NOON + number * MINUTE, b"answer %d" % number)
    assert ended is not None
    assert ended == await get(database, tenant, run.id)
    assert (ended.state, ended.quoted, ended.refused, ended.parts_done) == ("finished", 9, 2, 2)
    assert (ended.finished_at, ended.kept_until) == (NOON + 2 * MINUTE, NOON + 2 * MINUTE + WEEK)
    assert [await answer_of(database, tenant, run.id, n) for n in (1, 2, 3)] == [b"answer 1", b"answer 2", None]
    async with database.read(tenant) as tx:
        assert [event.sequence for event in await events.after(tx, 0, 9)] == [ended.version]
        assert await quote_run_parts.answered_since(tx, run.id, NOON) == 11
        assert await quote_run_parts.answered_since(tx, run.id, NOON + MINUTE) == 6


async def test_a_run_that_was_paused_finishes_once_it_is_resumed(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    claimed = await claim(database, run.id)
    assert claimed is not None
    assert (await act(database, tenant, run.id, "pause")).state == "paused"
    ended = await end(database, claimed)
    assert ended is not None
    assert (ended.state, ended.parts_done) == ("paused", 1)
    resumed = await act(database, tenant, run.id, "resume", NOON + MINUTE)
    assert (resumed.state, resumed.finished_at) == ("finished", NOON + MINUTE)


async def test_a_run_that_was_paused_while_receiving_receives_again(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5, last=False)
    await act(database, tenant, run.id, "pause")
    resumed = await act(database, tenant, run.id, "resume", NOON + MINUTE)
    assert (resumed.state, resumed.worked_since) == ("receiving", NOON + MINUTE)
    assert await take_in(database, tenant, run.id, intake(6, last=True), 100) is not None


async def test_what_is_not_possible_says_what_is(database: Database, tenant: Tenant) -> None:
    run = await of_parts(database, tenant, 5)
    cancelled = await act(database, tenant, run.id, "cancel", NOON + MINUTE)
    assert (cancelled.state, cancelled.finished_at) == ("cancelled", NOON + MINUTE)
    assert cancelled.kept_until == NOON + MINUTE
    with pytest.raises(CotterlineError, match="is cancelled; what can be done with it now: nothing"):
        await act(database, tenant, run.id, "cancel")
    async with database.read(tenant) as tx:
        assert [event.type for event in await events.after(tx, 0, 9)] == ["quote_run.cancelled"]


async def test_figures_for_limits_count_what_is_open_and_what_is_kept(
    database: Database, tenant: Tenant, shop_b: Shop
) -> None:
    runs = [await of_parts(database, tenant, 5, last=False) for _ in range(3)]
    await of_parts(database, shop_b.tenant, 5)
    await of_parts(database, tenant)  # is finished at once
    await act(database, tenant, runs[0].id, "pause")
    await act(database, tenant, runs[1].id, "cancel")
    async with database.read(tenant) as tx:
        assert (await quote_runs.open_runs(tx), await quote_runs.kept_bytes(tx)) == (2, 400)
        assert list(await quote_runs.over(tx, NOON, 9)) == [runs[1].id]
    async with database.write(tenant) as tx:
        await quote_runs.change(tx, runs[1].id, {"removed_at": NOON})
    async with database.read(tenant) as tx:
        assert (await quote_runs.open_runs(tx), await quote_runs.kept_bytes(tx)) == (2, 300)
        assert list(await quote_runs.over(tx, NOON, 9)) == []


async def test_pages_follow_each_other_newest_first(database: Database, tenant: Tenant) -> None:
    rows = [await made(database, tenant, created_at=NOON + timedelta(minutes=each)) for each in range(5)]
    found: list[QuoteRunRow] = []
    after = None
    for size in (2, 2, 1):
        async with database.read(tenant) as tx:
            page = await quote_runs.page(tx, after, 2)
        assert len(page.runs) == size
        found += page.runs
        after = page.following
    assert found == rows[::-1]
    assert after is None


async def test_the_other_shop_sees_and_changes_nothing(database: Database, shops_there: Shops) -> None:
    owner, *others = shops_there
    run = await of_parts(database, owner.tenant, 5, last=False)
    before = await get(database, owner.tenant, run.id)
    for other in others:
        async with database.write(other.tenant) as tx:
            assert await quote_runs.get(tx, run.id) is None
            assert await quote_runs.hold(tx, run.id) is None
            assert (await quote_runs.page(tx, None, 9)).runs == ()
            assert (await quote_runs.open_runs(tx), await quote_runs.kept_bytes(tx)) == (0, 0)
            assert await quote_runs.change(tx, run.id, {"state": "paused"}) is None
            assert await quote_run_inputs.get(tx, run.id) is None
            assert await quote_run_inputs.left_over(tx, run.id) is None
            assert await quote_run_parts.remove(tx, run.id, 9) == 0
            await quote_run_inputs.remove(tx, run.id)
            await quote_run_inputs.leave(tx, run.id, LeftOver(b"", b"theirs"))
            assert await quote_run_parts.answered_since(tx, run.id, NOON - WEEK) == 0
        assert await take_in(database, other.tenant, run.id, intake(5), 100) is None
    assert await get(database, owner.tenant, run.id) == before
    async with database.read(owner.tenant) as tx:
        assert await quote_run_inputs.left_over(tx, run.id) == LeftOver(b"", b"rest")
    assert await waiting(database) == [run.id]


async def test_changes_are_announced_and_work_only_where_there_is_some(database: Database, tenant: Tenant) -> None:
    heard = [database.heard(channel) for channel in (WORK, CHANGED)]

    def told() -> list[bool]:
        found = [each.is_set() for each in heard]
        for each in heard:
            each.clear()
        return found

    run = await made(database, tenant)
    await take_in(database, tenant, run.id, intake())
    assert told() == [False, True]
    await take_in(database, tenant, run.id, intake(5), 100)
    assert told() == [True, True]
    await act(database, tenant, run.id, "pause")
    assert told() == [False, True]
    await act(database, tenant, run.id, "resume")
    assert told() == [True, True]


async def test_the_service_itself_cannot_read_bicycles_but_by_claiming_them(database: Database) -> None:
    async with database.read(SERVICE) as tx:
        with pytest.raises(RuntimeError, match="owns no data"):
            await quote_run_parts.part_answer(tx, uuid7(), 1)


async def test_a_reference_is_no_longer_than_the_database_takes(database: Database, tenant: Tenant) -> None:
    with pytest.raises(CotterlineError, match="cannot hold"):
        await made(database, tenant, reference="x" * 201)
    assert row().version == 1
    assert lease().until > NOON
