"""A re-check that is due is announced once, soon after its time, whoever looks and however often."""

import asyncio
from collections.abc import Sequence
from datetime import timedelta

import msgspec
import pytest

from cotterline.bench.recheck_visits import VisitState
from cotterline.delivery import sweeps
from cotterline.delivery.due_visits import DueVisits
from cotterline.store import audit, events, quotes, recheck_visits
from cotterline.store.database import Database
from cotterline.store.events import EventRow
from cotterline.store.tenancy import Tenant
from tests.delivery.test_lapsed_quotes import Clock
from tests.shops import Shops
from tests.store.test_recheck_visits import NOON, kept, planned

pytestmark = pytest.mark.anyio


@pytest.fixture
def clock() -> Clock:
    """Give a clock that stands at noon."""
    return Clock()


async def told(database: Database, tenant: Tenant) -> Sequence[EventRow]:
    async with database.read(tenant) as tx:
        return await events.after(tx, 0, 1000)


async def test_a_visit_that_is_due_is_announced_with_its_next_version(
    database: Database, tenant: Tenant, clock: Clock
) -> None:
    row = await planned(database, tenant)
    assert await DueVisits(database, clock).sweep() == 1
    found = await kept(database, tenant, row.quote_id)
    assert found == msgspec.structs.replace(row, state="announced", version=2, actor="service", changed_at=NOON)
    async with database.read(tenant) as tx:
        (entry,) = (await audit.page(tx, None, 10, str(row.quote_id))).entries
    assert (entry.action, entry.actor) == ("recheck_visit.announced", "service")
    (event,) = await told(database, tenant)
    assert (event.type, event.resource_id, event.sequence) == ("recheck_visit.due", str(row.quote_id), 2)
    data = msgspec.json.decode(event.body)["data"]
    assert (data["quote_id"], data["state"]) == (str(row.quote_id), "announced")


async def test_what_was_announced_is_not_announced_again(database: Database, tenant: Tenant, clock: Clock) -> None:
    await planned(database, tenant)
    sweeper = DueVisits(database, clock)
    assert [await sweeper.sweep() for _ in range(3)] == [1, 0, 0]
    assert len(await told(database, tenant)) == 1


async def test_a_visit_is_left_alone_to_the_moment_it_is_due(database: Database, tenant: Tenant, clock: Clock) -> None:
    await planned(database, tenant, NOON + timedelta(microseconds=1))
    sweeper = DueVisits(database, clock)
    assert await sweeper.sweep() == 0
    clock.now += timedelta(microseconds=1)
    assert await sweeper.sweep() == 1


@pytest.mark.parametrize("state", ["announced", "done", "cancelled"])
async def test_only_what_is_planned_is_announced(
    database: Database, tenant: Tenant, clock: Clock, state: VisitState
) -> None:
    await planned(database, tenant, NOON - timedelta(days=1), state)
    assert await DueVisits(database, clock).sweep() == 0
    assert await told(database, tenant) == []


async def test_a_closed_quote_keeps_its_visit_and_one_that_is_not_ridden_loses_it(
    database: Database, tenant: Tenant, clock: Clock
) -> None:
    rows = {state: await planned(database, tenant) for state in ("closed", "declined")}
    async with database.write(tenant) as tx:
        for state, row in rows.items():
            quote = await quotes.get(tx, row.quote_id)
            assert quote is not None
            changed = msgspec.convert(msgspec.structs.asdict(quote) | {"state": state, "version": 2}, type(quote))
            assert await quotes.change(tx, changed, 1)
    assert await DueVisits(database, clock).sweep() == 2
    found = {state: await kept(database, tenant, row.quote_id) for state, row in rows.items()}
    assert {state: row.state for state, row in found.items() if row} == {"closed": "announced", "declined": "cancelled"}
    assert [event.resource_id for event in await told(database, tenant)] == [str(rows["closed"].quote_id)]


async def test_every_shop_is_looked_through_in_either_mode_and_told_apart(
    database: Database, shops_there: Shops, clock: Clock
) -> None:
    rows = {shop.tenant: await planned(database, shop.tenant) for shop in shops_there}
    assert await DueVisits(database, clock).sweep() == 3
    for tenant, row in rows.items():
        assert [event.resource_id for event in await told(database, tenant)] == [str(row.quote_id)]


async def test_more_than_fit_one_transaction_all_get_their_turn(
    database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    for _ in range(5):
        await planned(database, tenant)
    assert await DueVisits(database, clock).sweep() == 5


async def test_two_that_look_at_once_announce_each_visit_once(
    database_url: str, database: Database, tenant: Tenant, clock: Clock
) -> None:
    for _ in range(20):
        await planned(database, tenant)
    other = await Database.open(database_url)
    counts = await asyncio.gather(DueVisits(database, clock).sweep(), DueVisits(other, clock).sweep())
    await other.close()
    assert sum(counts) == 20
    found = await told(database, tenant)
    assert len(found) == len({event.resource_id for event in found}) == 20


async def test_a_visit_that_somebody_moves_meanwhile_is_not_announced(
    database: Database, tenant: Tenant, clock: Clock
) -> None:
    row = await planned(database, tenant)
    sweeper = DueVisits(database, clock)
    async with database.write(tenant) as tx:
        seen = await recheck_visits.due(tx, NOON, 9)
        assert list(seen) == [row]
        later = msgspec.structs.replace(row, due_at=NOON + timedelta(days=1), version=2)
        assert await recheck_visits.change(tx, later, 1)
    assert await sweeper.sweep() == 0
    assert await kept(database, tenant, row.quote_id) == later
