"""Steps that servers of the version before live with: they add, or say whom they leave behind, and hold nobody up."""

import asyncio
from pathlib import Path
from typing import Final

import pytest
from alembic.script import Script
from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.asyncio import create_async_engine

from cotterline.store import migrate
from cotterline.store.address import driver_url
from cotterline.store.engines import migrator
from tests.command_line import SECONDS
from tests.conftest import Backend
from tests.later_steps import HEAD, LATER, add_step
from tests.store.narrowing import look, narrowed, worked

pytestmark = pytest.mark.anyio

HELD: Final = [script.revision for script in migrate.scripts() if script.revision > migrate.HELD_SINCE]


def _found(connection: Connection, script: Script) -> list[str]:
    """What one step does that the rule forbids, told by taking it."""
    oldest = getattr(script.module, "oldest_code", None)
    before = look(connection)
    migrate.step_to(connection, script.revision)
    after = look(connection)
    narrows = [] if oldest else [*narrowed(before, after)]
    return narrows + ([] if oldest == script.revision else [*worked(before, after)])


async def found(url: str, revision: str) -> list[str]:
    """Bring a database to the step before and take it, as the command does."""
    (script,) = [script for script in migrate.scripts() if script.revision == revision]
    engine = migrator(driver_url(url))
    async with engine.begin() as connection:
        await connection.run_sync(migrate.step_to, str(script.down_revision))
    if hasattr(script.module, "beforehand") and url.startswith("postgresql"):
        await migrate.build_beside(url, script)
    async with engine.begin() as connection:
        told = await connection.run_sync(_found, script)
    await engine.dispose()
    return told


@pytest.mark.parametrize("revision", HELD)
async def test_a_step_adds_or_says_whom_it_leaves_behind(empty_database_url: str, revision: str) -> None:
    assert await found(empty_database_url, revision) == []


@pytest.mark.parametrize("revision", HELD)
def test_whom_a_step_leaves_behind_is_a_version_there_was(revision: str) -> None:
    (script,) = [script for script in migrate.scripts() if script.revision == revision]
    named = getattr(script.module, "oldest_code", revision)
    assert named in migrate.steps()
    assert named <= revision


BATCH: Final = 'with op.batch_alter_table("estimate_links") as batch:\n    '
UNIQUE: Final = "estimate_links has a new rule: unique"
NARROWING: Final = {
    'op.drop_table("estimate_links")': "estimate_links is gone",
    BATCH + 'batch.drop_column("language")': "estimate_links.language is gone",
    BATCH + 'batch.alter_column("language", new_column_name="tongue")': "estimate_links.language is gone",
    BATCH + 'batch.alter_column("language", type_=sa.String(40))': "estimate_links.language is VARCHAR",
    BATCH + 'batch.alter_column("ended_at", nullable=False)': "estimate_links.ended_at must be filled",
    BATCH + 'batch.add_column(sa.Column("town", sa.Text(), nullable=False))': "estimate_links.town must be filled",
    BATCH + 'batch.create_unique_constraint("uq_estimate_links_language", ["language"])': UNIQUE,
    'op.create_index("ix_estimate_links_language", "estimate_links", ["language"], unique=True)': UNIQUE,
    BATCH + 'batch.create_check_constraint("ck_estimate_links_short", "length(language) < 900")': (
        "estimate_links has a new rule: check"
    ),
    BATCH + 'batch.create_foreign_key("fk_estimate_links_id", "quotes", ["id"], ["id"])': (
        "estimate_links has a new rule: refers"
    ),
}
"""What a step may not do without saying so, and what is said of it; on SQLite a changed table is built anew."""

ADDING: Final = [
    'op.create_table("bells", sa.Column("tone", sa.Text(), nullable=False))',
    'op.add_column("quotes", sa.Column("colour", sa.Text(), nullable=True))',
    'op.add_column("quotes", sa.Column("colour", sa.Text(), nullable=False, server_default="black"))',
    """op.create_table("bells", sa.Column("id", sa.Integer(), primary_key=True))
op.create_index("ix_bells_id", "bells", ["id"], unique=True)
op.execute("INSERT INTO bells VALUES (7)")""",
]


@pytest.mark.parametrize("body", NARROWING)
async def test_a_step_that_takes_something_away_is_found_out(database_url: str, steps: Path, body: str) -> None:
    add_step(steps, body)
    assert [words for words in await found(database_url, LATER) if words.startswith(NARROWING[body])]


@pytest.mark.parametrize("body", ADDING)
async def test_a_step_that_adds_is_let_pass(database_url: str, steps: Path, body: str) -> None:
    add_step(steps, body)
    assert await found(database_url, LATER) == []


async def test_a_step_that_says_whom_it_leaves_behind_may_take_away(database_url: str, steps: Path) -> None:
    add_step(steps, 'op.drop_table("estimate_links")', f'oldest_code = "{HEAD}"')
    assert await found(database_url, LATER) == []


def opened(body: str) -> str:
    """A step that sees every shop."""
    words = "from cotterline.store.migrations.tenant_rows import wall_open"
    return f'{words}\nwith wall_open("shops"):\n    {body}'


ON_SERVER: Final = pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
POLICY: Final = "ON quotes AS RESTRICTIVE FOR SELECT USING (true)"


@ON_SERVER
@pytest.mark.parametrize(
    ("body", "told"),
    [
        (f'op.execute("CREATE POLICY narrow {POLICY}")', "quotes has a new rule: restricting"),
        ('op.execute("ALTER TABLE shops NO FORCE ROW LEVEL SECURITY")', "shops has a new rule: walled"),
        ('op.execute("DROP POLICY quotes_tenant_all ON quotes")', "quotes lacks a policy"),
    ],
)
async def test_a_wall_that_hides_more_is_found_out(database_url: str, steps: Path, body: str, told: str) -> None:
    add_step(steps, body)
    assert [words for words in await found(database_url, LATER) if words.startswith(told)]


@ON_SERVER
@pytest.mark.parametrize(
    "body",
    [
        'op.create_index("ix_quotes_reference", "quotes", ["reference"])',
        opened("op.execute(\"UPDATE shops SET name = name || '.'\")"),
        opened("op.execute(\"INSERT INTO shops (id, name, created_at) VALUES (gen_random_uuid(), 'Till', now())\")"),
        'op.execute("ALTER TABLE shops ADD COLUMN lot double precision NOT NULL DEFAULT random()")',
        'op.execute("ALTER TABLE shops ALTER COLUMN name TYPE varchar(80)")',
    ],
)
async def test_a_step_that_goes_through_the_rows_is_found_out_even_where_it_says_whom_it_leaves_behind(
    database_url: str, steps: Path, body: str
) -> None:
    add_step(steps, body, f'oldest_code = "{HEAD}"')
    assert len(await found(database_url, LATER)) == 1


@ON_SERVER
async def test_a_step_with_a_pause_may_go_through_the_rows(database_url: str, steps: Path) -> None:
    add_step(steps, opened("op.execute(\"UPDATE shops SET name = name || '.'\")"), f'oldest_code = "{LATER}"')
    assert await found(database_url, LATER) == []


INDEX: Final = """def index(**how):
    op.create_index("ix_shops_named", "shops", ["name", "created_at"], if_not_exists=True, **how)
def beforehand():
    index(postgresql_concurrently=True)"""


async def begun(url: str, migrating: asyncio.Task[str]) -> None:
    """Wait until the index is there, though it is not whole yet."""
    async with asyncio.timeout(SECONDS):
        while not await shops_index(url):
            await asyncio.sleep(0.05)
            assert not migrating.done()


async def shops_index(url: str) -> list[bool]:
    """Whether the index of these tests is whole, if it is there."""
    engine = create_async_engine(driver_url(url))
    async with engine.connect() as connection:
        words = "SELECT indisvalid FROM pg_index JOIN pg_class ON oid = indexrelid WHERE relname = 'ix_shops_named'"
        whole = list((await connection.execute(text(words))).scalars())
    await engine.dispose()
    return whole


async def test_an_index_on_rows_that_are_there_is_built_beforehand(
    database_url: str, steps: Path, backend: Backend
) -> None:
    add_step(steps, "index()", INDEX)
    assert await found(database_url, LATER) == []
    if backend == "postgresql":
        assert await shops_index(database_url) == [True]


@ON_SERVER
async def test_shops_are_written_while_an_index_on_them_is_built(database_url: str, steps: Path) -> None:
    add_step(steps, "index()", INDEX)
    engine = create_async_engine(driver_url(database_url))
    async with engine.connect() as reader, engine.connect() as writer:
        await reader.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
        await reader.execute(text("SELECT 1 FROM shops"))  # whose end the builder waits for
        migrating = asyncio.create_task(migrate.migrate(database_url))
        await begun(database_url, migrating)
        await writer.execute(text("SET lock_timeout = '1s'"))
        await writer.execute(text("UPDATE shops SET name = name || '!'"))
        await writer.commit()
        assert not migrating.done()
        await reader.rollback()
        assert await migrating == LATER
    await engine.dispose()
    assert await shops_index(database_url) == [True]


@ON_SERVER
async def test_an_index_that_was_broken_off_is_built_anew(database_url: str, steps: Path) -> None:
    add_step(steps, "index()", INDEX)
    engine = create_async_engine(driver_url(database_url))
    async with engine.connect() as reader:
        await reader.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
        await reader.execute(text("SELECT 1 FROM shops"))
        migrating = asyncio.create_task(migrate.migrate(database_url))
        await begun(database_url, migrating)
        words = "SELECT pg_cancel_backend(pid) FROM pg_stat_activity WHERE query LIKE 'CREATE INDEX CONC%'"
        await reader.execute(text(words + " AND datname = current_database()"))
        with pytest.raises(DBAPIError):
            await migrating
        await reader.rollback()
    await engine.dispose()
    assert await shops_index(database_url) == [False]
    assert await asyncio.gather(*(migrate.migrate(database_url) for _ in range(3))) == [LATER] * 3
    assert await shops_index(database_url) == [True]


@ON_SERVER
async def test_a_step_that_does_not_get_its_table_gives_up_before_others_have_waited_long(
    database_url: str, steps: Path
) -> None:
    add_step(steps, 'op.add_column("shops", sa.Column("town", sa.Text(), nullable=True))')
    engine = create_async_engine(driver_url(database_url))
    async with engine.connect() as reader:
        await reader.execute(text("SELECT 1 FROM shops"))
        with pytest.raises(DBAPIError, match="lock timeout"):
            async with asyncio.timeout(SECONDS):
                await migrate.migrate(database_url)
        await reader.rollback()
    await engine.dispose()
    assert await migrate.current(database_url) == HEAD
    assert await migrate.migrate(database_url) == LATER
