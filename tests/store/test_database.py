"""A transaction keeps all or nothing, many at once lose nothing, and neither database does it another way."""

import asyncio
import sqlite3
import subprocess
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

import pytest
from sqlalchemy import BigInteger, func, literal, make_url, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.store import engines
from cotterline.store import quotes as queries
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.tables import quotes
from cotterline.store.tenancy import Tenant

pytestmark = pytest.mark.anyio


def quote(quote_id: UUID | None = None, reference: str = "0") -> queries.QuoteRow:
    return queries.QuoteRow(
        id=quote_id or uuid7(),
        created_at=datetime(2024, 5, 1, tzinfo=UTC),
        state="draft",
        version=1,
        revision=1,
        expires_at=None,
        reference=reference,
        metadata=b"{}",
        verdict_state="likely",
        leading_family="french",
        core_version="0.1.0",
    )


async def keep(database: Database, tenant: Tenant, row: queries.QuoteRow) -> None:
    async with database.write(tenant) as tx:
        await queries.insert(tx, row)


async def count(tx: ReadTransaction) -> int:
    (row,) = await tx.rows(select(func.count().label("quotes")).select_from(quotes))
    return int(row["quotes"])


async def kept(database: Database, tenant: Tenant) -> int:
    async with database.read(tenant) as tx:
        return await count(tx)


async def test_what_a_block_wrote_is_kept_when_it_ends(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, quote())
    assert await kept(database, tenant) == 1


async def test_an_error_in_the_block_undoes_everything_it_wrote(database: Database, tenant: Tenant) -> None:
    async def write_and_stumble() -> None:
        async with database.write(tenant) as tx:
            await queries.insert(tx, quote())
            raise KeyError

    with pytest.raises(KeyError):
        await write_and_stumble()
    assert await kept(database, tenant) == 0


async def test_a_swallowed_failure_of_a_statement_keeps_nothing_and_says_so(database: Database, tenant: Tenant) -> None:
    async def write_twice_and_look_away() -> None:
        row = quote()
        async with database.write(tenant) as tx:
            await queries.insert(tx, row)
            with pytest.raises(DBAPIError):
                await queries.insert(tx, row)

    with pytest.raises(RuntimeError, match="swallowed"):
        await write_twice_and_look_away()
    assert await kept(database, tenant) == 0


async def test_a_cancelled_block_keeps_nothing_and_leaves_the_database_usable(
    database: Database, tenant: Tenant
) -> None:
    written = asyncio.Event()

    async def write_and_wait() -> None:
        async with database.write(tenant) as tx:
            await queries.insert(tx, quote())
            written.set()
            await asyncio.sleep(60)

    task = asyncio.create_task(write_and_wait())
    await written.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await keep(database, tenant, quote())
    assert await kept(database, tenant) == 1


async def test_a_second_transaction_inside_one_is_refused(database: Database, tenant: Tenant) -> None:
    async with database.write(tenant):
        for begin in (database.write, database.read):
            with pytest.raises(RuntimeError, match="open already"):
                async with begin(tenant):
                    pass
    async with database.read(tenant):
        with pytest.raises(RuntimeError, match="open already"):
            async with database.write(tenant):
                pass
    assert await kept(database, tenant) == 0


async def test_a_task_started_inside_a_transaction_must_wait_for_its_end_to_begin_one(
    database: Database, tenant: Tenant
) -> None:
    go = asyncio.Event()

    async def begin_when_told() -> None:
        await go.wait()
        await keep(database, tenant, quote())

    async with database.write(tenant):
        early = asyncio.create_task(keep(database, tenant, quote()))
        late = asyncio.create_task(begin_when_told())
        with pytest.raises(RuntimeError, match="open already"):
            await early
    go.set()
    await late
    assert await kept(database, tenant) == 1


async def test_a_reading_transaction_cannot_write(database: Database, tenant: Tenant) -> None:
    with pytest.raises(DBAPIError, match=r"readonly|read-only"):
        async with database.read(tenant) as tx:
            await tx.rows(update(quotes).values(reference="x").returning(quotes.c.id))


async def test_a_reader_keeps_its_snapshot_while_another_writes(database: Database, tenant: Tenant) -> None:
    async def two_counts(first_done: asyncio.Event, go: asyncio.Event) -> tuple[int, int]:
        async with database.read(tenant) as tx:
            first = await count(tx)
            first_done.set()
            await go.wait()
            return first, await count(tx)

    first_done, go = asyncio.Event(), asyncio.Event()
    reading = asyncio.create_task(two_counts(first_done, go))
    await first_done.wait()
    await keep(database, tenant, quote())
    go.set()
    assert await reading == (0, 0)
    assert await kept(database, tenant) == 1


async def test_readers_do_not_wait_for_an_open_writer(database: Database, tenant: Tenant) -> None:
    async def count_aside() -> int:
        return await kept(database, tenant)

    begun = asyncio.Event()
    done = asyncio.Event()

    async def write_slowly() -> None:
        async with database.write(tenant) as tx:
            await queries.insert(tx, quote())
            begun.set()
            await done.wait()

    writing = asyncio.create_task(write_slowly())
    await begun.wait()
    assert await asyncio.wait_for(asyncio.create_task(count_aside()), 2) == 0
    done.set()
    await writing
    assert await kept(database, tenant) == 1


async def test_sixty_writers_at_once_lose_no_update(database: Database, tenant: Tenant) -> None:
    row = quote()
    await keep(database, tenant, row)

    async def add_one() -> None:
        async with database.write(tenant) as tx:
            (found,) = await tx.rows(select(quotes).where(quotes.c.id == row.id).with_for_update())
            changed = update(quotes).where(quotes.c.id == row.id).values(reference=str(int(found["reference"]) + 1))
            assert await tx.execute(changed) == 1

    await asyncio.gather(*(add_one() for _ in range(60)))
    async with database.read(tenant) as tx:
        found = await queries.get(tx, row.id)
    assert found is not None
    assert found.reference == "60"


async def test_a_number_out_of_range_is_refused_as_unstorable(database: Database, tenant: Tenant) -> None:
    with pytest.raises(CotterlineError) as refusal:
        async with database.write(tenant) as tx:
            await tx.rows(select(literal(2**64, BigInteger)))
    assert refusal.value.code == "payload-unstorable"


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_a_nul_that_reaches_postgresql_is_refused_as_unstorable(database: Database, tenant: Tenant) -> None:
    with pytest.raises(CotterlineError) as refusal:
        async with database.write(tenant) as tx:
            await tx.rows(text("SELECT CAST(:value AS text)").bindparams(value="a\0b"))
    assert refusal.value.code == "payload-unstorable"


async def test_an_error_repeats_nothing_of_what_was_to_be_stored(database: Database, tenant: Tenant) -> None:
    words = "engraved ring, ask for Ada"
    await keep(database, tenant, quote(reference=words))
    with pytest.raises(CotterlineError) as too_long:
        await keep(database, tenant, quote(reference=words * 20))
    with pytest.raises(IntegrityError) as not_null:
        async with database.write(tenant) as tx:
            await tx.execute(update(quotes).values(metadata=None))
    for refusal in (too_long, not_null):
        shown = "".join(traceback.format_exception(refusal.value))
        assert words not in shown
        assert "Failing row" not in shown


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
async def test_sqlite_writes_ahead_syncs_fully_enforces_references_and_waits(
    database: Database, tenant: Tenant
) -> None:
    async def pragmas(tx: ReadTransaction) -> dict[str, object]:
        names = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout", "query_only")
        return {name: next(iter((await tx.rows(text(f"PRAGMA {name}")))[0].values())) for name in names}

    both: dict[str, object] = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}
    async with database.write(tenant) as writing:
        assert await pragmas(writing) == both | {"query_only": 0}
    async with database.read(tenant) as reading:
        assert await pragmas(reading) == both | {"query_only": 1}


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_postgresql_gives_up_on_endless_statements_locks_and_idle_transactions(
    database: Database, tenant: Tenant
) -> None:
    async def limit(tx: ReadTransaction, name: str) -> str:
        return str((await tx.rows(text(f"SHOW {name}")))[0][name])

    async with database.read(tenant) as tx:
        assert await limit(tx, "statement_timeout") == "15s"
        assert await limit(tx, "lock_timeout") == "5s"
        assert await limit(tx, "idle_in_transaction_session_timeout") == "15s"
        assert await limit(tx, "transaction_isolation") == "repeatable read"


OTHER_PROCESS = """
import sqlite3, sys, time
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("locked", flush=True)
time.sleep(0.5)
connection.execute("COMMIT")
connection.close()
"""


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
async def test_a_writer_waits_for_another_process_that_holds_the_file(
    database: Database, tenant: Tenant, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", OTHER_PROCESS, str(tmp_path / "cotterline.sqlite3")]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as other:  # noqa: S603, ASYNC220 -- our own words, and brief
        assert other.stdout is not None
        assert other.stdout.readline() == b"locked\n"
        await keep(database, tenant, quote())
    assert await kept(database, tenant) == 1


async def test_the_first_writer_of_a_new_file_waits_for_another_process_too(tmp_path: Path) -> None:
    """It changes the file to writing ahead, for which SQLite itself does not wait."""
    file = tmp_path / "new.sqlite3"
    made = sqlite3.connect(file)
    made.execute("CREATE TABLE things (id INTEGER)")
    made.close()
    writer, _ = engines.sqlite(make_url(f"sqlite+aiosqlite:///{file}"))
    command = [sys.executable, "-c", OTHER_PROCESS, str(file)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as other:  # noqa: S603, ASYNC220 -- our own words, and brief
        assert other.stdout is not None
        assert other.stdout.readline() == b"locked\n"
        async with writer.begin() as connection:
            assert (await connection.execute(text("PRAGMA journal_mode"))).scalar_one() == "wal"
    await writer.dispose()


async def test_an_open_that_fails_shows_at_once(backend: str, tmp_path: Path) -> None:
    nowhere = {"sqlite": f"sqlite:///{tmp_path}/missing/file", "postgresql": "postgresql://nobody@127.0.0.1:1/none"}
    with pytest.raises((DBAPIError, OSError)):
        await Database.open(nowhere[backend])


async def test_rows_outlive_a_close_and_a_new_open(database_url: str, tenant: Tenant) -> None:
    first = await Database.open(database_url)
    await keep(first, tenant, quote())
    await first.close()
    second = await Database.open(database_url)
    assert await kept(second, tenant) == 1
    await second.close()
