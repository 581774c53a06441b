"""Bring a database to today's tables, one numbered step at a time, on SQLite and PostgreSQL alike.

The steps stand in ``migrations/versions``. They run under the caller's event loop; from outside one, wrap the call
in ``asyncio.run``.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.operations import Operations
from alembic.script import Script, ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import DBAPIError

from cotterline.store.address import driver_url
from cotterline.store.database import ReadTransaction
from cotterline.store.engines import migrator
from cotterline.store.tables import metadata

SCRIPTS = Path(__file__).parent / "migrations"
UNDEFINED_TABLE = "42P01"
"""SQLSTATE of a table that is not there (PostgreSQL 18 documentation, appendix A)."""

LOCK = 5_283_904_417_706_351_982
"""Any number, as long as every version of the service takes the same: it names the lock that migrations share."""

HELD_SINCE = "0007"
"""From the step behind this one on, each adds only, or says in its own ``oldest_code`` whose code it leaves behind."""

LOCK_SECONDS = 2
"""How long a step waits for a table on PostgreSQL: whoever asks for that table meanwhile waits behind it."""

_Outcome = TypeVar("_Outcome")


class OutgrownError(CommandError):
    """A later version has changed the database so that this one cannot serve it."""


async def migrate(url: str) -> str:
    """Apply every step the database still lacks and return the revision it is at then.

    Safe to call from several processes at once: the second waits, and finds nothing left to do. A database at a later
    revision that lets this version serve lacks nothing.

    Raises:
        OutgrownError: it does not let this version serve.
    """
    async with _alone(url):
        for script in await _on(url, _built_beside):
            await build_beside(url, script)
        return await _on(url, partial(_step_to, revision="head"))


async def build_beside(url: str, script: Script) -> None:
    """Take the steps before one, then do outside of any transaction what it has in ``beforehand``: indexes.

    On PostgreSQL alone, where the service goes on meanwhile; what was broken off is built anew.
    """
    await _on(url, partial(_step_to, revision=str(script.down_revision)))
    await _on(url, partial(_build, build=script.module.beforehand), beside=True)


def step_to(connection: Connection, revision: str) -> str:
    """Apply the steps up to a revision inside the transaction of a :func:`engines.migrator`; ``head`` is the last.

    Raises:
        OutgrownError: the database is at a later revision that does not let this version serve.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
    return _step_to(connection, revision)


def _step_to(connection: Connection, revision: str) -> str:
    at = revision_of(connection)
    if at is not None and at not in steps():
        _refuse_outgrown(_row(connection), steps())
        return at
    return _step(connection, command.upgrade, revision)


def revision_of(connection: Connection) -> str | None:
    """Return the revision the database of a connection is at, or None if nothing was ever migrated."""
    return _context(connection).get_current_revision()


async def revert(url: str) -> str:
    """Undo the last step and return the revision the database is at then: empty if none is left."""
    async with _alone(url):
        return await _on(url, lambda connection: _step(connection, command.downgrade, "-1"))


async def current(url: str) -> str | None:
    """Return the revision the database is at, or None if nothing was ever migrated."""
    return await _on(url, revision_of)


async def pending(url: str) -> tuple[str, ...]:
    """Return the revisions the database still lacks, in the order they apply: none at a later one that it may serve.

    Raises:
        OutgrownError: the database is at a later revision that does not let this version serve.
    """
    return await _on(url, lambda connection: _lacking(_row(connection), steps()))


def steps() -> tuple[str, ...]:
    """Return every revision of this version of the service, in the order they apply."""
    return tuple(script.revision for script in scripts())


def oldest_code(at: str) -> str:
    """Return the oldest revision whose code may serve a database at a revision of this version.

    >>> oldest_code("0009")
    '0007'
    """
    known = steps()
    oldest = known[0]
    for script in scripts()[: known.index(at) + 1]:
        named = getattr(script.module, "oldest_code", oldest) if script.revision > HELD_SINCE else script.revision
        oldest = max(oldest, named, key=known.index)
    return oldest


async def lacking(tx: ReadTransaction, known: tuple[str, ...]) -> tuple[str, ...]:
    """Return which of ``known``, the :func:`steps` of a running service, its database lacks.

    At a revision that is not among them it lacks none: one step comes behind the other, so a later version of the
    service has taken all of these and more.

    Raises:
        OutgrownError: that later version does not let this one serve.
        DBAPIError: among others, one that :func:`never_migrated` tells apart.
    """
    found = await tx.rows(_VERSION)
    return _lacking(dict(found[0]) if found else {}, known)


def never_migrated(error: DBAPIError) -> bool:
    """Whether the database lacks even the table that the revision stands in."""
    return getattr(error.orig, "sqlstate", None) == UNDEFINED_TABLE or "no such table" in str(error.orig)


_VERSION = text("SELECT * FROM alembic_version")
_OLDEST = "oldest_code"
"""A column of ours beside alembic's: what a version that does not know the revision goes by."""


def _row(connection: Connection) -> Mapping[str, str | None]:
    if not inspect(connection).has_table("alembic_version"):
        return {}
    return dict(connection.execute(_VERSION).mappings().first() or {})


def _lacking(row: Mapping[str, str | None], known: tuple[str, ...]) -> tuple[str, ...]:
    at = row.get("version_num")
    if at is None:
        return known
    if at in known:
        return known[known.index(at) + 1 :]
    _refuse_outgrown(row, known)
    return ()


def _refuse_outgrown(row: Mapping[str, str | None], known: tuple[str, ...]) -> None:
    if row.get(_OLDEST) not in known:
        least = row.get(_OLDEST) or "a later one"
        raise OutgrownError(
            f"it is at {row['version_num']}, which needs a version that knows {least}; this one ends at {known[-1]}"
        )


async def differences(url: str) -> list[Any]:
    """Return what separates the database from the tables of the code, as alembic's operations; none when migrated."""
    return await _on(url, lambda connection: list(compare_metadata(_context(connection), metadata)))


async def _on(url: str, work: Callable[[Connection], _Outcome], *, beside: bool = False) -> _Outcome:
    """Run work in one transaction, or beside any where each statement is one of its own."""
    engine = migrator(driver_url(url))
    try:
        async with (engine.execution_options(isolation_level="AUTOCOMMIT") if beside else engine).begin() as connection:
            return await connection.run_sync(work)
    finally:
        await engine.dispose()


@asynccontextmanager
async def _alone(url: str) -> AsyncIterator[None]:
    """Be alone among migrations of this database while the block runs; SQLite's write lock sees to that by itself.

    Whoever waits asks again and again: one that waited inside a transaction would be waited for by an index that is
    built meanwhile.
    """
    if driver_url(url).get_backend_name() == "sqlite":
        yield
        return
    engine = migrator(driver_url(url)).execution_options(isolation_level="AUTOCOMMIT")
    try:
        async with engine.connect() as connection:
            while not await connection.scalar(text(f"SELECT pg_try_advisory_lock({LOCK})")):  # noqa: ASYNC110 -- held by another process
                await asyncio.sleep(0.1)
            yield
    finally:
        await engine.dispose()


def _step(connection: Connection, direction: Callable[[Config, str], None], target: str) -> str:
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{LOCK_SECONDS}s'")
    config = _config()
    config.attributes["connection"] = connection
    direction(config, target)
    at = revision_of(connection) or ""
    _note(connection, at)
    return at


def _note(connection: Connection, at: str) -> None:
    """Write down whose code may serve what the steps have made."""
    if _OLDEST not in {column["name"] for column in inspect(connection).get_columns("alembic_version")}:
        connection.exec_driver_sql(f"ALTER TABLE alembic_version ADD COLUMN {_OLDEST} VARCHAR(32)")
    if at:
        connection.execute(text("UPDATE alembic_version SET oldest_code = :oldest"), {"oldest": oldest_code(at)})


def _built_beside(connection: Connection) -> list[Script]:
    """The steps to come that build something beside the service; nobody uses a database without tables, or a file."""
    lacking = () if connection.dialect.name == "sqlite" else _lacking(_row(connection), steps())
    return [
        script
        for script in (scripts() if revision_of(connection) else ())
        if script.revision in lacking and hasattr(script.module, "beforehand")
    ]


def _build(connection: Connection, build: Callable[[], None]) -> None:
    """Build indexes while the service goes on, in place of any that was broken off."""
    for name in connection.execute(_BROKEN_OFF).scalars().all():
        connection.exec_driver_sql(f'DROP INDEX CONCURRENTLY "{name}"')
    with Operations.context(MigrationContext.configure(connection)):
        build()


_BROKEN_OFF = text(
    "SELECT relname FROM pg_index JOIN pg_class ON pg_class.oid = indexrelid "
    "WHERE NOT indisvalid AND relnamespace = current_schema()::regnamespace"
)
"""PostgreSQL 18 documentation, CREATE INDEX, "Building Indexes Concurrently"."""


def scripts() -> list[Script]:
    """Return every step of this version of the service, in the order they apply."""
    return list(reversed(list(ScriptDirectory.from_config(_config()).walk_revisions())))


def _context(connection: Connection) -> MigrationContext:
    return MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})


def _config() -> Config:
    config = Config()
    # The percent sign stands for itself in a path, but begins an interpolation in a configuration.
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
