"""Bring a database to today's tables, one numbered step at a time, on SQLite and PostgreSQL alike.

The steps stand in ``migrations/versions``. They run under the caller's event loop; from outside one, wrap the call
in ``asyncio.run``.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text
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

_Outcome = TypeVar("_Outcome")


async def migrate(url: str) -> str:
    """Apply every step the database still lacks and return the revision it is at then.

    Safe to call from several processes at once: the second waits, and finds nothing left to do.
    """
    return await _on(url, lambda connection: step_to(connection, "head"))


def step_to(connection: Connection, revision: str) -> str:
    """Apply the steps up to a revision inside the transaction of a :func:`engines.migrator`; ``head`` is the last."""
    return _step(connection, command.upgrade, revision)


def revision_of(connection: Connection) -> str | None:
    """Return the revision the database of a connection is at, or None if nothing was ever migrated."""
    return _context(connection).get_current_revision()


async def revert(url: str) -> str:
    """Undo the last step and return the revision the database is at then: empty if none is left."""
    return await _on(url, lambda connection: _step(connection, command.downgrade, "-1"))


async def current(url: str) -> str | None:
    """Return the revision the database is at, or None if nothing was ever migrated."""
    return await _on(url, revision_of)


async def pending(url: str) -> tuple[str, ...]:
    """Return the revisions the database still lacks, in the order they apply.

    Raises:
        CommandError: the database is at a revision this version of the service does not know.
    """
    at = await current(url)
    if at is not None:
        ScriptDirectory.from_config(_config()).get_revision(at)
    return _after(at, steps())


def steps() -> tuple[str, ...]:
    """Return every revision of this version of the service, in the order they apply."""
    scripts = ScriptDirectory.from_config(_config())
    return tuple(script.revision for script in reversed(list(scripts.walk_revisions())))


async def lacking(tx: ReadTransaction, known: tuple[str, ...]) -> tuple[str, ...]:
    """Return which of ``known``, the :func:`steps` of a running service, its database lacks.

    At a revision that is not among them it lacks none: one step comes behind the other, so a later version of the
    service has taken all of these and more.

    Raises:
        DBAPIError: among others, one that :func:`never_migrated` tells apart.
    """
    found = await tx.rows(text("SELECT version_num FROM alembic_version"))
    at = found[0]["version_num"] if found else None
    return _after(at, known) if at is None or at in known else ()


def never_migrated(error: DBAPIError) -> bool:
    """Whether the database lacks even the table that the revision stands in."""
    return getattr(error.orig, "sqlstate", None) == UNDEFINED_TABLE or "no such table" in str(error.orig)


def _after(at: str | None, known: tuple[str, ...]) -> tuple[str, ...]:
    return known if at is None else known[known.index(at) + 1 :]


async def differences(url: str) -> list[Any]:
    """Return what separates the database from the tables of the code, as alembic's operations; none when migrated."""
    return await _on(url, lambda connection: list(compare_metadata(_context(connection), metadata)))


async def _on(url: str, work: Callable[[Connection], _Outcome]) -> _Outcome:
    engine = migrator(driver_url(url))
    try:
        async with engine.begin() as connection:
            return await connection.run_sync(work)
    finally:
        await engine.dispose()


def _step(connection: Connection, direction: Callable[[Config, str], None], target: str) -> str:
    """Run steps, alone on this database: alembic asks what is lacking only once the lock is held."""
    if connection.dialect.name == "postgresql":  # SQLite took its write lock as the transaction began.
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
    config = _config()
    config.attributes["connection"] = connection
    direction(config, target)
    return revision_of(connection) or ""


def _context(connection: Connection) -> MigrationContext:
    return MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})


def _config() -> Config:
    config = Config()
    # The percent sign stands for itself in a path, but begins an interpolation in a configuration.
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
