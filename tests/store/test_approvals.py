"""Approvals are kept with their end, each shop's by itself, and one at most is in force."""

from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from cotterline.store import approvals, quotes
from cotterline.store.approvals import ApprovalRow, End
from cotterline.store.database import Database
from tests.shops import Shop
from tests.store.test_tenancy import quote

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


@pytest.fixture
async def first(database: Database, shop_a: Shop) -> ApprovalRow:
    """Keep a quote of the first shop's with an approval."""
    kept = quote()
    row = ApprovalRow(
        quote_id=kept.id,
        version=3,
        revision=1,
        ceiling="140.00",
        currency="EUR",
        options=b'["new_chain"]',
        given_by="Ada Fell",
        how="letter",
        at=NOON,
        actor="key",
    )
    async with database.write(shop_a.tenant) as tx:
        await quotes.insert(tx, kept)
        await approvals.insert(tx, row)
    return row


async def test_an_approval_holds_until_it_ends_and_stays_to_be_read(
    database: Database, shop_a: Shop, first: ApprovalRow
) -> None:
    then = NOON + timedelta(days=2)
    second = msgspec.structs.replace(first, version=5, ceiling="180.00", at=then)
    async with database.write(shop_a.tenant) as tx:
        assert await approvals.in_force(tx, first.quote_id) == first
        await approvals.end(tx, first, End(at=then, why="extended"))
        assert await approvals.in_force(tx, first.quote_id) is None
        await approvals.insert(tx, second)
        assert await approvals.in_force(tx, first.quote_id) == second
        await approvals.end(tx, second, End(at=then, why="closed", charged="171.20"))
    async with database.read(shop_a.tenant) as tx:
        kept = await approvals.every(tx, first.quote_id)
        assert await approvals.in_force(tx, first.quote_id) is None
    assert kept == [
        msgspec.structs.replace(first, ended_at=then, ended_why="extended"),
        msgspec.structs.replace(second, ended_at=then, ended_why="closed", charged="171.20"),
    ]


async def test_an_approval_is_there_for_its_shop_alone(
    database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop, first: ApprovalRow
) -> None:
    for other in (shop_b, shop_a_test):
        async with database.write(other.tenant) as tx:
            assert await approvals.every(tx, first.quote_id) == []
            assert await approvals.in_force(tx, first.quote_id) is None
            await approvals.end(tx, first, End(at=NOON, why="declined"))
    async with database.read(shop_a.tenant) as tx:
        assert await approvals.in_force(tx, first.quote_id) == first
