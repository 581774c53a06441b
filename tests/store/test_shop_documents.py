"""What a shop sets is kept version by version, each kind by itself, and of two changes at once one takes place."""

import asyncio
from datetime import UTC, datetime

import msgspec
import pytest

from cotterline.bench.shop_profile import DEFAULT, ShopProfile
from cotterline.store.database import Database
from cotterline.store.shop_documents import SETTINGS, DocumentVersion, ShopDocument
from cotterline.store.tenancy import Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


class Ledger(msgspec.Struct, frozen=True):
    """Another kind of content."""

    pages: int


LEDGER = ShopDocument("labour_book", Ledger(pages=0))


async def add(database: Database, tenant: Tenant, version: int, currency: str) -> bool:
    profile = msgspec.structs.replace(DEFAULT, currency=currency)
    async with database.write(tenant) as tx:
        return await SETTINGS.add(tx, DocumentVersion(version=version, content=profile), at=NOON, actor="key")


async def test_a_shop_that_set_nothing_has_the_default(database: Database, tenant: Tenant) -> None:
    unset = DocumentVersion[ShopProfile](version=0, content=DEFAULT)
    async with database.read(tenant) as tx:
        assert await SETTINGS.current(tx) == unset
        assert await SETTINGS.get(tx, 0) == unset
        assert await SETTINGS.get(tx, 1) is None


async def test_the_last_version_is_in_force_and_old_ones_stay(database: Database, tenant: Tenant) -> None:
    assert await add(database, tenant, 1, "GBP")
    assert await add(database, tenant, 2, "JPY")
    async with database.read(tenant) as tx:
        current = await SETTINGS.current(tx)
        first = await SETTINGS.get(tx, 1)
    assert (current.version, current.content.currency) == (2, "JPY")
    assert first is not None
    assert first.content.currency == "GBP"


async def test_documents_of_two_kinds_have_versions_of_their_own(database: Database, tenant: Tenant) -> None:
    assert await add(database, tenant, 1, "GBP")
    async with database.write(tenant) as tx:
        assert await LEDGER.current(tx) == DocumentVersion(version=0, content=Ledger(pages=0))
        assert await LEDGER.add(tx, DocumentVersion(version=1, content=Ledger(pages=7)), at=NOON, actor="key")
    async with database.read(tenant) as tx:
        assert await LEDGER.current(tx) == DocumentVersion(version=1, content=Ledger(pages=7))
        assert (await SETTINGS.current(tx)).content.currency == "GBP"


async def test_a_shops_settings_are_its_own(database: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop) -> None:
    await add(database, shop_a.tenant, 1, "GBP")
    for other in (shop_b, shop_a_test):
        async with database.read(other.tenant) as tx:
            assert (await SETTINGS.current(tx)).version == 0
            assert await SETTINGS.get(tx, 1) is None


async def test_of_changes_at_the_same_time_one_takes_place(database: Database, tenant: Tenant) -> None:
    outcomes = await asyncio.gather(*(add(database, tenant, 1, currency) for currency in ("GBP", "JPY", "CHF") * 2))
    assert outcomes.count(True) == 1
