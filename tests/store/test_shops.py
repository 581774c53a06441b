"""Holding a shop: one transaction at a time, and none that wait for each other for ever."""

import asyncio
from datetime import UTC, datetime

import pytest

from cotterline.store import kept_answers, shops
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.conftest import Backend

pytestmark = pytest.mark.anyio


async def test_two_that_wrote_for_a_shop_before_they_hold_it_come_through_one_after_the_other(
    database: Database, tenant: Tenant, backend: Backend
) -> None:
    both = asyncio.Barrier(2 if backend == "postgresql" else 1)  # on SQLite only one writes at a time
    held: list[str] = []

    async def hold(key: str) -> None:
        async with database.write(tenant) as tx:
            await kept_answers.claim(tx, key, b"mark", datetime.now(UTC))
            await both.wait()
            await shops.lock(tx)
            held.append(key)
            await asyncio.sleep(0.1)
            assert held[-1] == key
            held.append(key)

    await asyncio.gather(hold("one"), hold("two"))
    assert sorted(held) == ["one", "one", "two", "two"]
    assert held[0] == held[1]
