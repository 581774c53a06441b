"""Two invented shops and their keys, in every migrated database of the tests."""

from datetime import UTC, datetime
from typing import NamedTuple

from uuid_utils.compat import uuid7

from cotterline.store import keys, shops
from cotterline.store.audit import OPERATOR
from cotterline.store.database import Database
from cotterline.store.tenancy import SCOPES, Scope, Tenant

BEGAN = datetime(2024, 1, 1, tzinfo=UTC)


class Shop(NamedTuple):
    """One shop in one mode, with a key that may do everything."""

    name: str
    tenant: Tenant
    key: str

    @property
    def headers(self) -> dict[str, str]:
        """What a request of this shop carries."""
        return {"Authorization": f"Bearer {self.key}"}


class Shops(NamedTuple):
    """Everybody a test may call as."""

    a: Shop
    b: Shop
    a_test: Shop


async def add(url: str) -> Shops:
    """Put both shops into a migrated database."""
    first, second = uuid7(), uuid7()
    database = await Database.open(url)
    a = await _shop(database, "Tide mill", Tenant(first, "live"))
    b = await _shop(database, "Lime kiln", Tenant(second, "live"))
    a_test = Shop(a.name, Tenant(first, "test"), await key(database, Tenant(first, "test")))
    await database.close()
    return Shops(a, b, a_test)


async def key(database: Database, tenant: Tenant, label: str = "till", *scopes: Scope) -> str:
    """Issue a key; one that may do everything unless scopes are named."""
    order = keys.KeyOrder(label=label, scopes=frozenset(scopes or SCOPES))
    async with database.write(tenant) as tx:
        return await keys.issue(tx, order, key_id=uuid7(), now=BEGAN, actor=OPERATOR)


async def _shop(database: Database, name: str, tenant: Tenant) -> Shop:
    async with database.write(tenant) as tx:
        await shops.insert(tx, shops.ShopRow(id=tenant.shop, name=name, created_at=BEGAN))
    return Shop(name, tenant, await key(database, tenant))
