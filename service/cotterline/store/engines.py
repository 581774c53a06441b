"""Connections to SQLite and PostgreSQL, set up so that each is safe to write from many requests at once."""

import sqlite3
from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol

import asyncpg  # type: ignore[import-untyped] # comes without types
from sqlalchemy import URL, Connection, event
from sqlalchemy.engine.interfaces import DBAPIConnection, DBAPICursor
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine
from sqlalchemy.pool import ConnectionPoolEntry, NullPool

BUSY_SECONDS = 5
"""How long SQLite waits for another process to finish writing, and PostgreSQL for a lock."""

STATEMENT_SECONDS = 15
"""How long PostgreSQL may work on one statement, or sit in an open transaction between two."""

POOL_SECONDS = 10
"""How long a request waits for a free connection, and for a new one to be made."""

_WAITS = 10
"""How often the change of a new SQLite database to writing ahead waits for others."""

SQLITE_READERS = 4
"""SQLite reads in parallel; more readers than this only wait for the interpreter."""

_SQLITE_ALWAYS = (f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}", "PRAGMA foreign_keys = ON")
_SQLITE_WRITER = (
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    "PRAGMA secure_delete = ON",  # what was erased must not lie on in the free part of a page
    *_SQLITE_ALWAYS,
)
_SQLITE_READER = ("PRAGMA query_only = ON", *_SQLITE_ALWAYS)
_SQLITE_MIGRATOR = (f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}", "PRAGMA foreign_keys = OFF")

Engines = tuple[AsyncEngine, AsyncEngine]


def sqlite(url: URL) -> Engines:
    """Return the engine that writes and the engine that reads.

    One connection writes and takes the write lock when its transaction begins: a transaction that began as a reader
    cannot become a writer once another has written, however long it waits (SQLite documentation, "Isolation In
    SQLite" and SQLITE_BUSY_SNAPSHOT). The readers cannot write.
    """
    return (
        _sqlite(url, "BEGIN IMMEDIATE", _SQLITE_WRITER, connections=1),
        _sqlite(url, "BEGIN", _SQLITE_READER, connections=SQLITE_READERS),
    )


def postgresql(url: URL, connections: int) -> Engines:
    """Return the engine that writes and the engine that reads; both draw on one pool.

    A reader sees one snapshot through its whole transaction, as it does on SQLite, and cannot write.
    """
    limits = {
        "application_name": "cotterline",
        "timezone": "UTC",
        "statement_timeout": f"{STATEMENT_SECONDS}s",
        "idle_in_transaction_session_timeout": f"{STATEMENT_SECONDS}s",
        "lock_timeout": f"{BUSY_SECONDS}s",
    }
    writer = create_async_engine(
        url,
        pool_size=connections,
        max_overflow=0,
        pool_timeout=POOL_SECONDS,
        pool_pre_ping=True,
        hide_parameters=True,
        connect_args={"timeout": POOL_SECONDS, "server_settings": limits},
    )
    return writer, writer.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


class Listener(Protocol):
    """A connection to PostgreSQL that hears what is announced."""

    def add_termination_listener(self, callback: Callable[[object], None]) -> None:
        """Call back once the connection is closed or lost."""

    async def add_listener(self, channel: str, callback: Callable[..., None]) -> None:
        """Call back at each announcement."""

    def execute(self, query: str, *, timeout: float) -> Awaitable[str]:
        """Run a statement, in so many seconds at most."""

    def terminate(self) -> None:
        """Drop the connection without a word."""


async def listener(url: URL) -> Listener:
    """Open a connection beside the pools, outside any transaction: one in a pool would go back and forget."""
    _, options = url.get_dialect()().create_connect_args(url)
    named = {"application_name": "cotterline-listener"}
    opened: Listener = await asyncpg.connect(**options, timeout=POOL_SECONDS, server_settings=named)
    return opened


def migrator(url: URL) -> AsyncEngine:
    """Return the engine a migration runs on: one connection, no time limit, a transaction around the whole step.

    SQLite changes a table by building it anew; with foreign keys on, dropping the old one would delete what refers
    to it (SQLite documentation, "ALTER TABLE", section 7), so they are off here and checked before the commit.
    """
    if url.get_backend_name() == "sqlite":
        return _sqlite(url, "BEGIN IMMEDIATE", _SQLITE_MIGRATOR, connections=1)
    return _alone(url, "cotterline-migrate")


def copier(url: URL) -> AsyncEngine:
    """Return the engine a whole database is read on: one snapshot, no time limit, and nothing can be written."""
    if url.get_backend_name() == "sqlite":
        return _sqlite(url, "BEGIN", _SQLITE_READER, connections=1)
    return _alone(url, "cotterline-backup").execution_options(
        isolation_level="REPEATABLE READ", postgresql_readonly=True
    )


def _alone(url: URL, name: str) -> AsyncEngine:
    """Return an engine on PostgreSQL that opens one connection when asked, known to the server by a name."""
    return create_async_engine(
        url,
        poolclass=NullPool,
        hide_parameters=True,
        connect_args={"timeout": POOL_SECONDS, "server_settings": {"application_name": name}},
    )


def _sqlite(url: URL, begin: str, pragmas: Sequence[str], connections: int) -> AsyncEngine:
    """Return an engine on one file. ``isolation_level=None`` keeps the driver from beginning transactions itself."""
    engine = create_async_engine(
        url,
        pool_size=connections,
        max_overflow=0,
        pool_timeout=POOL_SECONDS,
        hide_parameters=True,
        connect_args={"isolation_level": None, "timeout": BUSY_SECONDS},
    )

    @event.listens_for(engine.sync_engine, "connect")
    def prepare(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
        cursor = connection.cursor()
        for pragma in pragmas:
            _set(cursor, pragma)
        cursor.close()

    @event.listens_for(engine.sync_engine, "begin")
    def start(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _set(cursor: DBAPICursor, pragma: str) -> None:
    """Set something of a connection, waiting for who writes.

    The change to writing ahead is refused at once while another process writes to a database that was just made,
    however long SQLite is told to wait; to take the lock and let it go is to wait for it.
    """
    for _ in range(_WAITS):
        try:
            cursor.execute(pragma)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise
            cursor.execute("BEGIN IMMEDIATE")
            cursor.execute("ROLLBACK")
        else:
            return
    cursor.execute(pragma)
