"""Customers' words go once nothing has been done with a quote for as long as the operator keeps them."""

import asyncio
from datetime import timedelta

import msgspec
import pytest

from cotterline.bench.quote_life import QuoteState
from cotterline.delivery.customer_data import erase
from cotterline.delivery.lapsed_quotes import LapsedQuotes
from cotterline.delivery.long_over_quotes import LongOverQuotes
from cotterline.store import audit, quotes
from cotterline.store.database import Database
from cotterline.store.quotes import QuoteRow
from cotterline.store.tables import deliveries
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import NOON, Clock, enqueue, order, order_row, place
from tests.delivery.test_lapsed_quotes import kept, told
from tests.shops import Shops

pytestmark = pytest.mark.anyio

YEAR = timedelta(days=365)
MADE = timedelta(days=-30)
"""Quotes of these tests were made so long before noon."""
MINUTE = timedelta(minutes=1)


async def swept(database: Database, after: timedelta) -> int:
    return await LongOverQuotes(database, Clock(NOON + after), YEAR).sweep()


async def now(database: Database, tenant: Tenant, row: QuoteRow) -> QuoteRow:
    async with database.read(tenant) as tx:
        found = await quotes.get(tx, row.id)
    assert found is not None
    return found


@pytest.mark.parametrize("state", ["draft", "declined", "expired", "closed"])
async def test_words_are_kept_to_the_moment_their_time_is_over(
    database: Database, tenant: Tenant, state: QuoteState
) -> None:
    row = await kept(database, tenant, None, state)
    assert await swept(database, MADE + YEAR) == 0
    assert await swept(database, MADE + YEAR + MINUTE) == 1
    assert await swept(database, MADE + YEAR + MINUTE) == 0
    after = await now(database, tenant, row)
    assert after == msgspec.structs.replace(row, reference=None, version=3, erased_at=NOON + MADE + YEAR + MINUTE)
    assert [event.type for event in await told(database, tenant)] == ["quote.erased"]
    async with database.read(tenant) as tx:
        (entry,) = (await audit.page(tx, None, 9, str(row.id))).entries
    assert (entry.action, entry.actor) == ("quote.erased", "service")


async def test_what_was_done_with_a_quote_gives_it_time_again(database: Database, tenant: Tenant) -> None:
    await kept(database, tenant)
    assert await LapsedQuotes(database, Clock(NOON)).sweep() == 1  # it expired at noon
    assert await swept(database, YEAR) == 0
    assert await swept(database, YEAR + MINUTE) == 1


@pytest.mark.parametrize("state", ["issued", "approved", "ordered"])
async def test_a_quote_that_somebody_waits_for_is_left_alone(
    database: Database, tenant: Tenant, state: QuoteState
) -> None:
    row = await kept(database, tenant, NOON + 9 * YEAR, state)
    assert await swept(database, 8 * YEAR) == 0
    assert await now(database, tenant, row) == row


@pytest.mark.parametrize("state", ["waiting", "held"])
async def test_while_an_order_is_to_be_posted_its_quote_is_passed_over_and_others_are_not(
    database: Database, tenant: Tenant, state: str
) -> None:
    order_id = await place(database, tenant)
    await enqueue(database, tenant, order(order_id))
    quote_id = (await order_row(database, tenant, order_id)).quote_id
    async with database.write(tenant) as tx:
        first = await quotes.get(tx, quote_id)
        assert first is not None
        await quotes.change(tx, msgspec.structs.replace(first, state="closed"), first.version)
        await tx.execute(deliveries.update().values(state=state))
    await kept(database, tenant, None, "closed")
    assert await swept(database, 9 * YEAR) == 1
    async with database.write(tenant) as tx:
        await tx.execute(deliveries.update().values(state="failed"))
    assert await swept(database, 9 * YEAR) == 1


async def test_two_that_sweep_at_once_erase_it_once(database_url: str, database: Database, tenant: Tenant) -> None:
    await kept(database, tenant, None, "closed")
    other = await Database.open(database_url)
    counts = await asyncio.gather(swept(database, YEAR), swept(other, YEAR))
    await other.close()
    assert sum(counts) == 1
    assert len(await told(database, tenant)) == 1


async def test_who_is_overtaken_erases_nothing(database: Database, tenant: Tenant) -> None:
    row = await kept(database, tenant, None, "closed")
    seen = msgspec.structs.replace(row, version=1)
    async with database.write(tenant) as tx:
        assert await erase(tx, seen, NOON, "till") is None
    assert await now(database, tenant, row) == row
    assert await told(database, tenant) == []


async def test_every_shop_is_swept_in_either_mode(database: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        await kept(database, shop.tenant, None, "closed")
    assert await swept(database, YEAR) == 3
