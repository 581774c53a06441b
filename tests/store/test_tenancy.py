"""The two walls between tenants: the condition in every query, and PostgreSQL's own policies behind it."""

from datetime import UTC, datetime

import msgspec
import pytest
from sqlalchemy import Connection, delete, insert, select, text, update
from sqlalchemy.exc import DBAPIError
from uuid_utils.compat import uuid7

from cotterline.store import audit, keys, quotes, shops
from cotterline.store.address import driver_url
from cotterline.store.database import Database
from cotterline.store.engines import migrator
from cotterline.store.tables import metadata
from cotterline.store.tenancy import SERVICE, Service, Tenant, ownership
from tests.shops import Shop, Shops

pytestmark = pytest.mark.anyio

on_postgresql = pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
OWNED = [table for table in metadata.sorted_tables if "shop_id" in table.c]
NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
ANY = quotes.QuoteSearch(now=NOON)


def quote() -> quotes.QuoteRow:
    return quotes.QuoteRow(
        id=uuid7(),
        created_at=NOON,
        reference="hook 7",
        state="draft",
        version=1,
        revision=1,
        expires_at=None,
        metadata=b"{}",
        verdict_state="likely",
        leading_family=None,
        core_version="0.1.0",
    )


@pytest.fixture
async def filled(database: Database, shops_there: Shops) -> Database:
    """Give a database in which every tenant has a quote, besides its key and its audit trail."""
    for shop in shops_there:
        async with database.write(shop.tenant) as tx:
            await quotes.insert(tx, quote())
    return database


async def test_every_query_gives_a_tenant_its_own_rows_alone(filled: Database, shops_there: Shops) -> None:
    for shop in shops_there:
        async with filled.read(shop.tenant) as tx:
            (kept,) = (await quotes.page(tx, ANY, None, 10)).quotes
            (key,) = (await keys.page(tx, None, 10)).keys
            (entry,) = (await audit.page(tx, None, 10)).entries
            itself = await shops.get(tx)
        assert itself is not None
        assert itself.name == shop.name
        assert entry.subject_id == str(key.id)
        for other in shops_there:
            async with filled.read(other.tenant) as tx:
                mine = other == shop
                assert (await quotes.get(tx, kept.id) is not None) == mine
                assert (await keys.get(tx, key.id) is not None) == mine
                assert bool((await audit.page(tx, None, 10, entry.subject_id)).entries) == mine


async def test_no_query_changes_what_belongs_to_another(
    filled: Database, shop_a: Shop, shop_b: Shop, shop_a_test: Shop
) -> None:
    async with filled.read(shop_a.tenant) as tx:
        (key,) = (await keys.page(tx, None, 10)).keys
    for other in (shop_b, shop_a_test):
        async with filled.write(other.tenant) as tx:
            assert await keys.revoke(tx, key.id, now=NOON, actor="x") is None
            await keys.note_use(tx, {key.id: NOON})
            assert len((await audit.page(tx, None, 10)).entries) == 1
    async with filled.read(shop_a.tenant) as tx:
        assert await keys.get(tx, key.id) == key


async def test_a_transaction_of_the_service_itself_belongs_to_no_tenant(database: Database) -> None:
    async with database.read(SERVICE) as tx:
        with pytest.raises(RuntimeError, match="owns no data"):
            await quotes.page(tx, ANY, None, 1)


@on_postgresql
async def test_the_tests_connect_as_a_role_that_policies_hold_for(database: Database, tenant: Tenant) -> None:
    async with database.read(tenant) as tx:
        question = "SELECT rolsuper OR rolbypassrls AS above FROM pg_roles WHERE rolname = current_user"
        assert (await tx.rows(text(question)))[0]["above"] is False


@on_postgresql
@pytest.mark.parametrize("table", OWNED, ids=lambda table: table.name)
async def test_every_table_of_tenants_is_walled_off_from_its_owner_too(database: Database, table: object) -> None:
    found = text(
        "SELECT relrowsecurity AND relforcerowsecurity AS walled, "
        "(SELECT count(*) FROM pg_policies WHERE tablename = relname) AS policies "
        "FROM pg_class WHERE relname = :name AND relkind = 'r'"
    ).bindparams(name=str(table))
    async with database.read(SERVICE) as tx:
        (row,) = await tx.rows(found)
    assert row["walled"]
    assert row["policies"] >= 1


@on_postgresql
async def test_a_query_that_forgets_its_condition_sees_the_tenants_own_rows_alone(
    filled: Database, shops_there: Shops
) -> None:
    for shop in shops_there:
        for name in ("quotes", "keys", "audit"):
            table = metadata.tables[name]
            async with filled.read(shop.tenant) as tx:
                (row,) = await tx.rows(select(table))  # no condition at all
            assert (row["shop_id"], row["mode"]) == (shop.tenant.shop, shop.tenant.mode)
        async with filled.read(shop.tenant) as tx:
            (row,) = await tx.rows(select(metadata.tables["shops"]))
        assert row["id"] == shop.tenant.shop


@on_postgresql
@pytest.mark.parametrize("name", ["quotes", "audit"])
async def test_the_service_itself_sees_no_tenants_data(filled: Database, name: str) -> None:
    async with filled.read(SERVICE) as tx:
        assert await tx.rows(select(metadata.tables[name])) == []


@on_postgresql
async def test_the_service_itself_reads_every_key_and_shop_but_changes_none(filled: Database) -> None:
    table = metadata.tables["keys"]
    async with filled.read(SERVICE) as tx:
        assert len(await tx.rows(select(table))) == 3
        assert len(await shops.every(tx)) == 2
    async with filled.write(SERVICE) as tx:
        assert await tx.execute(update(table).values(revoked_at=NOON)) == 0
        assert await tx.execute(delete(table)) == 0


@on_postgresql
async def test_a_change_that_forgets_its_condition_touches_the_tenants_own_rows_alone(
    filled: Database, shop_a: Shop, shop_b: Shop
) -> None:
    async with filled.write(shop_b.tenant) as tx:
        assert await tx.execute(update(metadata.tables["quotes"]).values(reference="changed")) == 1
        assert await tx.execute(delete(metadata.tables["keys"])) == 1
    async with filled.read(shop_a.tenant) as tx:
        (kept,) = (await quotes.page(tx, ANY, None, 10)).quotes
        assert kept.reference == "hook 7"
        assert len((await keys.page(tx, None, 10)).keys) == 1


@on_postgresql
@pytest.mark.parametrize("party", ["another shop", "the same shop in test mode", "the service"])
async def test_a_row_cannot_be_written_for_somebody_else(database: Database, shops_there: Shops, party: str) -> None:
    writers: dict[str, Tenant | Service] = {
        "another shop": shops_there.b.tenant,
        "the same shop in test mode": shops_there.a_test.tenant,
        "the service": SERVICE,
    }
    row = ownership(shops_there.a.tenant) | msgspec.structs.asdict(quote())
    with pytest.raises(DBAPIError, match="row-level security"):
        async with database.write(writers[party]) as tx:
            await tx.execute(insert(metadata.tables["quotes"]).values(row))


@on_postgresql
async def test_a_tenant_is_forgotten_when_its_transaction_ends(
    filled: Database, database_url: str, shop_a: Shop
) -> None:
    def unasked(connection: Connection) -> int:
        return len(connection.execute(select(metadata.tables["quotes"])).all())

    one = await Database.open(database_url, connections=1)  # so that every transaction has the same connection
    async with one.read(shop_a.tenant) as tx:
        assert len(await tx.rows(select(metadata.tables["quotes"]))) == 1
    async with one._writer.begin() as connection:
        assert await connection.run_sync(unasked) == 0
    await one.close()
    del filled


@on_postgresql
async def test_who_connects_past_the_service_sees_nothing(filled: Database, database_url: str) -> None:
    engine = migrator(driver_url(database_url))
    async with engine.begin() as connection:
        for table in OWNED:
            assert (await connection.execute(select(table))).all() == []
    await engine.dispose()
    del filled
