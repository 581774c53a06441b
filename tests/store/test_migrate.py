"""Migrations run from nothing, down and up again, all or nothing, and end at the tables of the code."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar
from uuid import UUID

import pytest
from alembic.util import CommandError
from sqlalchemy import Connection, LargeBinary, Uuid, bindparam, inspect, text
from sqlalchemy.schema import CheckConstraint
from uuid_utils.compat import uuid7

from cotterline.store import migrate, quotes, shops
from cotterline.store.address import driver_url
from cotterline.store.columns import UtcDateTime
from cotterline.store.database import Database
from cotterline.store.engines import migrator
from cotterline.store.shop_documents import SETTINGS
from cotterline.store.tables import metadata
from cotterline.store.tenancy import ENTER, MODES, SERVICE, Tenant, settings
from tests.later_steps import HEAD, LATER, add_step
from tests.shops import Shop

pytestmark = pytest.mark.anyio

Found = TypeVar("Found")

ORIGINAL = migrate.SCRIPTS


async def ask(url: str, question: Callable[[Connection], Found]) -> Found:
    engine = migrator(driver_url(url))
    async with engine.begin() as connection:
        answer = await connection.run_sync(question)
    await engine.dispose()
    return answer


async def tables(url: str) -> set[str]:
    return await ask(url, lambda connection: set(inspect(connection).get_table_names()))


async def run(url: str, statement: str) -> None:
    await ask(url, lambda connection: connection.execute(text(statement)).close())


async def test_an_empty_database_lacks_every_step_and_a_migrated_one_none(empty_database_url: str) -> None:
    assert await migrate.current(empty_database_url) is None
    lacking = await migrate.pending(empty_database_url)
    assert lacking[0] == "0001"
    assert await migrate.migrate(empty_database_url) == lacking[-1] == HEAD
    assert await migrate.current(empty_database_url) == HEAD
    assert await migrate.pending(empty_database_url) == ()


async def test_a_migrated_database_has_the_tables_of_the_code(database_url: str) -> None:
    def checks(connection: Connection) -> dict[str, set[str | None]]:
        found = inspect(connection)
        return {name: {check["name"] for check in found.get_check_constraints(name)} for name in metadata.tables}

    assert await migrate.differences(database_url) == []
    assert await ask(database_url, checks) == {
        name: {str(check.name) for check in table.constraints if isinstance(check, CheckConstraint)}
        for name, table in metadata.tables.items()
    }


@pytest.mark.parametrize(
    ("change", "difference"),
    [
        ("DROP INDEX ix_quotes_shop_id_mode_created_at_id", "add_index"),
        ("ALTER TABLE quotes ADD COLUMN stray integer", "remove_column"),
        ("ALTER TABLE quotes DROP COLUMN leading_family", "add_column"),
        ("CREATE TABLE stray (id integer)", "remove_table"),
    ],
)
async def test_a_database_changed_by_hand_is_told_apart(database_url: str, change: str, difference: str) -> None:
    await run(database_url, change)
    assert [found[0] for found in await migrate.differences(database_url)] == [difference]


async def test_every_step_can_be_undone_and_done_again(empty_database_url: str) -> None:
    await migrate.migrate(empty_database_url)
    while await migrate.current(empty_database_url):
        await migrate.revert(empty_database_url)
        lacking = await migrate.pending(empty_database_url)
        assert await migrate.migrate(empty_database_url) == HEAD
        assert await migrate.differences(empty_database_url) == []
        for _ in lacking:
            await migrate.revert(empty_database_url)
    assert await tables(empty_database_url) == {"alembic_version"}
    assert await migrate.migrate(empty_database_url) == HEAD


async def test_migrating_twice_changes_nothing(database_url: str) -> None:
    before = await tables(database_url)
    assert await migrate.migrate(database_url) == HEAD
    assert await tables(database_url) == before


async def test_processes_that_migrate_at_the_same_time_do_the_work_once(empty_database_url: str) -> None:
    assert await asyncio.gather(*(migrate.migrate(empty_database_url) for _ in range(4))) == [HEAD] * 4
    assert await migrate.differences(empty_database_url) == []


async def test_a_step_that_fails_half_way_leaves_nothing_of_itself(empty_database_url: str, steps: Path) -> None:
    add_step(steps, 'op.execute("CREATE TABLE half (id integer)")\nraise LookupError("power cut")')
    with pytest.raises(LookupError, match="power cut"):
        await migrate.migrate(empty_database_url)
    assert await migrate.current(empty_database_url) is None
    assert await tables(empty_database_url) == set()


async def test_the_steps_are_found_whatever_their_folder_is_called(empty_database_url: str, steps: Path) -> None:
    add_step(steps, 'op.execute("CREATE TABLE whole (id integer)")')
    assert (await migrate.pending(empty_database_url))[-2:] == (HEAD, "9999")
    assert await migrate.migrate(empty_database_url) == "9999"
    assert "whole" in await tables(empty_database_url)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
async def test_a_step_that_would_leave_a_dangling_reference_is_undone(empty_database_url: str, steps: Path) -> None:
    parts = ["CREATE TABLE bike (id integer PRIMARY KEY)", "CREATE TABLE cup (bike integer REFERENCES bike (id))"]
    add_step(steps, "\n".join(f'op.execute("{part}")' for part in [*parts, "INSERT INTO cup VALUES (7)"]))
    with pytest.raises(RuntimeError, match="1 references"):
        await migrate.migrate(empty_database_url)
    assert await tables(empty_database_url) == set()


async def test_a_database_of_a_later_version_lacks_nothing_where_it_lets_this_one_serve(
    database_url: str, steps: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_step(steps, 'op.execute("CREATE TABLE whole (id integer)")')
    assert await migrate.migrate(database_url) == LATER
    monkeypatch.setattr(migrate, "SCRIPTS", ORIGINAL)
    assert await migrate.pending(database_url) == ()
    assert await migrate.migrate(database_url) == LATER
    with pytest.raises(CommandError, match=LATER):
        await migrate.revert(database_url)


@pytest.mark.parametrize("oldest", [f"'{LATER}'", "NULL"])
async def test_a_database_of_a_later_version_is_refused_where_it_does_not_say_so(
    database_url: str, oldest: str
) -> None:
    await run(database_url, f"UPDATE alembic_version SET version_num = '{LATER}', oldest_code = {oldest}")  # noqa: S608 -- ours
    for ask_or_change in (migrate.pending, migrate.migrate):
        with pytest.raises(migrate.OutgrownError, match=f"at {LATER}, which needs .*; this one ends at {HEAD}"):
            await ask_or_change(database_url)


async def test_a_database_of_a_later_version_from_before_that_was_noted_is_refused(database_url: str) -> None:
    await run(database_url, f"UPDATE alembic_version SET version_num = '{LATER}'")  # noqa: S608 -- ours
    await run(database_url, "ALTER TABLE alembic_version DROP COLUMN oldest_code")
    with pytest.raises(migrate.OutgrownError, match=LATER):
        await migrate.migrate(database_url)


async def oldest(url: str) -> str:
    return str(await ask(url, lambda connection: connection.scalar(text("SELECT oldest_code FROM alembic_version"))))


async def test_the_database_names_the_oldest_code_that_may_serve_it(database_url: str, steps: Path) -> None:
    assert await oldest(database_url) == migrate.oldest_code(HEAD)
    add_step(steps, "pass", f'oldest_code = "{HEAD}"', "def downgrade() -> None: ...")
    await migrate.migrate(database_url)
    assert await oldest(database_url) == HEAD
    await migrate.revert(database_url)
    assert await oldest(database_url) == migrate.oldest_code(HEAD)
    await to(database_url, "0003")
    assert await oldest(database_url) == "0003"


def test_a_database_can_be_migrated_from_outside_an_event_loop(empty_database_url: str, backend: str) -> None:
    assert backend in empty_database_url
    assert asyncio.run(migrate.migrate(empty_database_url)) == HEAD


async def to(url: str, revision: str) -> None:
    """Migrate, and go back to a revision."""
    await migrate.migrate(url)
    while await migrate.current(url) != revision:
        await migrate.revert(url)


async def names_of_shops(url: str) -> list[str]:
    database = await Database.open(url)
    async with database.read(SERVICE) as tx:
        names = [shop.name for shop in await shops.every(tx)]
    await database.close()
    return names


def insert_old(connection: Connection, quote_id: UUID, at: datetime) -> None:
    """Keep a quote as the first version did."""
    words = (
        "INSERT INTO quotes (id, created_at, reference, verdict_state, core_version, request, result) "
        "VALUES (:id, :at, 'hook 7', 'likely', '0', :body, :body)"
    )
    body = bindparam("body", b"{}", LargeBinary)
    connection.execute(text(words).bindparams(bindparam("id", quote_id, Uuid), bindparam("at", at, UtcDateTime), body))


async def test_quotes_from_before_there_were_shops_belong_to_a_first_shop(empty_database_url: str) -> None:
    await to(empty_database_url, "0001")
    kept = [uuid7(), uuid7()]
    for day, quote_id in enumerate(kept, start=1):
        await ask(empty_database_url, partial(insert_old, quote_id=quote_id, at=datetime(2024, 5, day, tzinfo=UTC)))
    await migrate.migrate(empty_database_url)
    database = await Database.open(empty_database_url)
    async with database.read(SERVICE) as tx:
        (shop,) = await shops.every(tx)
    found = {}
    search = quotes.QuoteSearch(now=datetime(2024, 6, 1, tzinfo=UTC))
    for mode in MODES:
        async with database.read(Tenant(shop.id, mode)) as tx:
            found[mode] = [row.id for row in (await quotes.page(tx, search, None, 10)).quotes]
    await database.close()
    assert shop.name == "first shop"
    assert found == {"live": kept[::-1], "test": []}


async def test_a_database_without_quotes_gets_no_shop(empty_database_url: str) -> None:
    await to(empty_database_url, "0001")
    await migrate.migrate(empty_database_url)
    assert await names_of_shops(empty_database_url) == []


def insert_old_settings(connection: Connection, tenant: Tenant) -> None:
    """Keep settings as they were kept when there were no other documents."""
    if connection.dialect.name == "postgresql":
        connection.execute(ENTER, settings(tenant))
    words = (
        "INSERT INTO shop_profiles (shop_id, mode, version, created_at, actor, profile) "
        "VALUES (:shop, :mode, 3, :at, 'key', :body)"
    )
    typed = (bindparam("shop", tenant.shop, Uuid), bindparam("at", datetime(2024, 5, 1, tzinfo=UTC), UtcDateTime))
    body = bindparam("body", b'{"currency":"GBP"}', LargeBinary)
    connection.execute(text(words).bindparams(*typed, body, mode=tenant.mode))


async def test_settings_from_before_there_were_other_documents_stay(database_url: str, shop_a: Shop) -> None:
    await to(database_url, "0004")
    await ask(database_url, partial(insert_old_settings, tenant=shop_a.tenant))
    for _ in range(2):
        await migrate.migrate(database_url)
        database = await Database.open(database_url)
        async with database.read(shop_a.tenant) as tx:
            found = await SETTINGS.current(tx)
        await database.close()
        assert (found.version, found.content.currency) == (3, "GBP")
        await to(database_url, "0004")
