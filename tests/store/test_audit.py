"""The audit trail keeps what was done with what did it, all or nothing, and never changes."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from cotterline.store import audit
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.tables import audit as table
from cotterline.store.tenancy import Tenant
from tests.shops import Shop

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


async def write(tx: WriteTransaction, number: int = 0, subject: str = "q") -> None:
    await audit.record(
        tx,
        tx.tenant,
        at=NOON + timedelta(seconds=number),
        actor="k",
        action="quote.created",
        subject_kind="quote",
        subject_id=subject,
        detail={"number": number},
    )


async def count(database: Database, tenant: Tenant) -> int:
    async with database.read(tenant) as tx:
        return int((await tx.rows(select(func.count().label("n")).select_from(table)))[0]["n"])


async def test_an_entry_comes_back_as_it_went_in(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        await write(tx, 7)
    async with database.read(tenant) as tx:
        entry = (await audit.page(tx, None, 1)).entries[0]
    assert (entry.at, entry.actor, entry.action) == (NOON + timedelta(seconds=7), "k", "quote.created")
    assert (entry.subject_kind, entry.subject_id, entry.detail) == ("quote", "q", '{"number":7}')


async def test_an_entry_goes_with_the_change_that_failed(database: Database, tenant: Tenant) -> None:
    async def change_and_stumble() -> None:
        async with database.write(tenant) as tx:
            await write(tx)
            raise KeyError

    before = await count(database, tenant)
    with pytest.raises(KeyError):
        await change_and_stumble()
    assert await count(database, tenant) == before


async def test_an_entry_for_another_tenant_is_refused(database: Database, shop_a: Shop, shop_b: Shop) -> None:
    about = {"actor": "k", "action": "a", "subject_kind": "s", "subject_id": "s"}
    async with database.write(shop_a.tenant) as tx:
        with pytest.raises(ValueError, match="tenant of its transaction"):
            await audit.record(tx, shop_b.tenant, at=NOON, **about, detail={})


@pytest.mark.parametrize("statement", ["UPDATE audit SET actor = 'nobody'", "DELETE FROM audit"])
async def test_an_entry_is_neither_changed_nor_deleted(database: Database, tenant: Tenant, statement: str) -> None:
    async with database.write(tenant) as tx:
        await write(tx)
    before = await count(database, tenant)
    with pytest.raises(DBAPIError, match="append-only"):
        async with database.write(tenant) as tx:
            await tx.execute(text(statement))
    assert await count(database, tenant) == before


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_the_table_is_not_emptied_at_a_stroke(database: Database, tenant: Tenant) -> None:
    with pytest.raises(DBAPIError, match="append-only"):
        async with database.write(tenant) as tx:
            await tx.execute(text("TRUNCATE audit"))


async def test_the_trail_is_paged_newest_first_and_by_what_it_is_about(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant) as tx:
        for number in range(7):
            await write(tx, number, f"q{number % 2}")
    seen: list[str] = []
    after: Cursor | None = None
    while True:
        async with database.read(tenant) as tx:
            page = await audit.page(tx, after, 2, "q0")
        seen += [entry.detail for entry in page.entries]
        after = page.following
        if after is None:
            break
    assert seen == [f'{{"number":{number}}}' for number in (6, 4, 2, 0)]
