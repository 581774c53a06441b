"""Token buckets in the database: added full, locked while one decides, each tenant's its own."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select, text

from cotterline.store import rate_limits as queries
from cotterline.store.database import Database
from cotterline.store.tables import rate_limits
from cotterline.store.tenancy import Tenant
from tests.shops import Shops

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
LATER = NOON + timedelta(minutes=5, microseconds=1)


async def test_a_bucket_never_used_is_added_full(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        assert await queries.lock(tx, ["shop", "key 7"], NOON) == {"key 7": NOON, "shop": NOON}


async def test_what_was_kept_is_found_to_the_microsecond(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        await queries.lock(tx, ["key 7", "key 8", "shop"], NOON)
        await queries.keep(tx, {"key 7": LATER, "shop": NOON + timedelta(seconds=2)})
    async with database.write(tenant) as tx:
        found = await queries.lock(tx, ["key 7", "key 8", "shop", "key 9"], LATER)
    assert found == {"key 7": LATER, "key 8": NOON, "key 9": LATER, "shop": NOON + timedelta(seconds=2)}


async def test_no_tenant_touches_another_ones_bucket(database: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        async with database.write(shop.tenant) as tx:
            assert await queries.lock(tx, ["shop"], NOON) == {"shop": NOON}
            await queries.keep(tx, {"shop": LATER})


async def test_many_at_once_lose_no_change_and_never_wait_in_a_circle(database: Database, tenant: Tenant) -> None:
    async def fill_a_second_more(key: str) -> None:
        async with database.write(tenant) as tx:
            found = await queries.lock(tx, ["shop", key], NOON)
            await queries.keep(tx, {name: when + timedelta(seconds=1) for name, when in found.items()})

    # The first of each key add its bucket while others hold the shop's.
    await asyncio.gather(*(fill_a_second_more(f"key {number % 5}") for number in range(20)))
    async with database.write(tenant) as tx:
        found = await queries.lock(tx, ["shop", "key 3"], NOON)
    assert found == {"shop": NOON + timedelta(seconds=20), "key 3": NOON + timedelta(seconds=4)}


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_postgresql_keeps_them_without_a_log(database: Database, tenant: Tenant) -> None:
    async with database.read(tenant) as tx:
        (row,) = await tx.rows(text("SELECT relpersistence::text FROM pg_class WHERE relname = 'rate_limits'"))
    assert row["relpersistence"] == "u"


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_a_query_that_forgets_its_tenant_sees_only_its_own(database: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        async with database.write(shop.tenant) as tx:
            await queries.lock(tx, ["shop"], NOON)
    async with database.read(shops_there.b.tenant) as tx:
        rows = await tx.rows(select(rate_limits))
    assert [(row["shop_id"], row["mode"]) for row in rows] == [(shops_there.b.tenant.shop, "live")]
