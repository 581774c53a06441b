"""An offer that ends unanswered is recorded once, with its event, whoever looks and however often."""

import asyncio
import contextvars
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from uuid_utils.compat import uuid7

from cotterline.bench.quote_life import QuoteState
from cotterline.delivery import sweeps
from cotterline.delivery.lapsed_quotes import LapsedQuotes
from cotterline.delivery.quote_events import tell
from cotterline.store import audit, events, quote_transitions, quotes
from cotterline.store.database import Database
from cotterline.store.events import EventRow
from cotterline.store.quotes import QuoteRow
from cotterline.store.tenancy import Tenant
from tests.shops import Shops

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


class Clock:
    """Stands until it is set."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        """Tell the time."""
        return self.now


@pytest.fixture
def clock() -> Clock:
    """Give a clock that stands at noon."""
    return Clock()


async def kept(
    database: Database, tenant: Tenant, expires_at: datetime | None = NOON, state: QuoteState = "issued"
) -> QuoteRow:
    row = QuoteRow(
        id=uuid7(),
        created_at=NOON - timedelta(days=30),
        state=state,
        version=2,
        revision=1,
        expires_at=expires_at,
        reference="hook 7",
        metadata=b"{}",
        verdict_state="likely",
        leading_family=None,
        core_version="0.1.0",
    )
    async with database.write(tenant) as tx:
        await quotes.insert(tx, row)
    return row


async def told(database: Database, tenant: Tenant) -> Sequence[EventRow]:
    async with database.read(tenant) as tx:
        return await events.after(tx, 0, 1000)


async def test_an_offer_whose_time_is_over_is_recorded_and_told_with_its_next_version(
    database: Database, tenant: Tenant, clock: Clock
) -> None:
    row = await kept(database, tenant)
    assert await LapsedQuotes(database, clock).sweep() == 1
    async with database.read(tenant) as tx:
        assert await quotes.get(tx, row.id) == msgspec.structs.replace(row, state="expired", version=3)
        (transition,) = await quote_transitions.every(tx, row.id)
        (entry,) = (await audit.page(tx, None, 10, str(row.id))).entries
    assert (transition.action, transition.from_state, transition.to_state) == ("expire", "issued", "expired")
    assert (transition.version, transition.actor, entry.actor) == (3, "service", "service")
    (event,) = await told(database, tenant)
    assert (event.type, event.resource_id, event.sequence) == ("quote.expired", str(row.id), 3)
    assert msgspec.json.decode(event.body)["data"]["state"] == "expired"


async def test_what_was_told_is_not_told_again(database: Database, tenant: Tenant, clock: Clock) -> None:
    await kept(database, tenant)
    sweeper = LapsedQuotes(database, clock)
    assert [await sweeper.sweep() for _ in range(3)] == [1, 0, 0]
    assert len(await told(database, tenant)) == 1


async def test_an_offer_that_still_holds_is_left_alone_to_the_moment_it_ends(
    database: Database, tenant: Tenant, clock: Clock
) -> None:
    await kept(database, tenant, NOON + timedelta(microseconds=1))
    await kept(database, tenant, NOON + timedelta(days=1))
    sweeper = LapsedQuotes(database, clock)
    assert await sweeper.sweep() == 0
    clock.now += timedelta(microseconds=1)
    assert await sweeper.sweep() == 1
    clock.now -= timedelta(hours=1)  # a clock set back brings nothing back
    assert await sweeper.sweep() == 0


@pytest.mark.parametrize("state", ["draft", "approved", "declined", "expired", "ordered", "closed"])
async def test_only_what_was_issued_lapses(database: Database, tenant: Tenant, clock: Clock, state: QuoteState) -> None:
    await kept(database, tenant, NOON - timedelta(days=1), state)
    assert await LapsedQuotes(database, clock).sweep() == 0
    assert await told(database, tenant) == []


async def test_every_shop_is_looked_through_in_either_mode_and_told_apart(
    database: Database, shops_there: Shops, clock: Clock
) -> None:
    rows = {shop.tenant: await kept(database, shop.tenant) for shop in shops_there}
    assert await LapsedQuotes(database, clock).sweep() == 3
    for tenant, row in rows.items():
        assert [(event.resource_id, event.position) for event in await told(database, tenant)] == [(str(row.id), 1)]


async def test_more_than_fit_one_transaction_all_get_their_turn(
    database: Database, tenant: Tenant, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweeps, "BATCH", 2)
    for _ in range(5):
        await kept(database, tenant)
    assert await LapsedQuotes(database, clock).sweep() == 5
    assert [event.position for event in await told(database, tenant)] == [1, 2, 3, 4, 5]


async def test_two_that_look_at_once_tell_each_offer_once(
    database_url: str, database: Database, tenant: Tenant, clock: Clock
) -> None:
    for _ in range(20):
        await kept(database, tenant)
    other = await Database.open(database_url)
    counts = await asyncio.gather(LapsedQuotes(database, clock).sweep(), LapsedQuotes(other, clock).sweep())
    await other.close()
    assert sum(counts) == 20
    assert len({event.resource_id for event in await told(database, tenant)}) == 20
    assert len(await told(database, tenant)) == 20


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)  # on SQLite one transaction writes at a time
async def test_an_act_on_a_quote_and_a_sweep_never_wait_for_each_other(
    database_url: str, database: Database, tenant: Tenant, clock: Clock
) -> None:
    """The act holds its quote and wants to tell; a sweep that told first and then took that quote would hang it."""
    rows = [await kept(database, tenant) for _ in range(2)]
    other = await Database.open(database_url)
    async with database.write(tenant) as tx:
        changed = msgspec.structs.replace(rows[1], version=3, reference="hook 8")
        assert await quotes.change(tx, changed, 2)
        sweep = asyncio.create_task(LapsedQuotes(other, clock).sweep(), context=contextvars.Context())
        await asyncio.sleep(0.3)  # it is at the second quote by now
        await tell(tx, "quote.changed", changed, NOON)
    await sweep
    await other.close()
    assert [event.type for event in await told(database, tenant)] == ["quote.changed", "quote.expired", "quote.expired"]
