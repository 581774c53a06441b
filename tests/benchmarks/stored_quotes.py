"""A quote that is kept: beside inserting a row of that size into the same database, and committing it.

The ratio is of seconds on a core, the database's own processes counted in: they work for both.
"""

import asyncio
import os
import sqlite3
from collections.abc import Callable
from typing import Final

import asyncpg  # type: ignore[import-untyped] # it has no types
from sqlalchemy import make_url, select

from cotterline.store.database import Database
from cotterline.store.tables import quote_revisions
from cotterline.store.tenancy import owned
from tests.benchmarks import requests
from tests.benchmarks.figures import Figure, Outcome, told_size, told_time
from tests.benchmarks.grounds import CLIENT_CORE, KINDS, Grounds, Kind, Place, Size, profiled, serving
from tests.benchmarks.machine import core, cpu_seconds, kept_to
from tests.benchmarks.one_call import told

LEAST: Final = 0.5
PLAIN_EACH: Final = 5
"""Bare inserts for each quote: they take so little that fewer could not be timed."""


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure on both databases."""
    figures = []
    for kind in KINDS:
        place = grounds.place(kind)
        with serving("service", place) as running:
            (stored,) = running.costs(size, requests.STORED)
        row = asyncio.run(_a_revision(place))
        with kept_to(core(CLIENT_CORE)):
            bare = min(_bare(place, row, size.requests * PLAIN_EACH) for _ in range(size.rounds))
        beside = f"{told_time(bare)}, bare row of {told_size(len(row))}"
        figures.append(Figure(f"stored quote, {kind}", told(stored), beside, bare / stored.cpu, least=LEAST))
    outcome = Outcome(tuple(figures))
    if outcome.missed:
        found = profiled("service", grounds.place("PostgreSQL"), requests.STORED, size.requests, grounds.folder)
        return outcome._replace(profile=found)
    return outcome


async def _a_revision(place: Place) -> bytes:
    """Question and answer of a quote of middling length, as they are kept."""
    held = select(quote_revisions.c.request, quote_revisions.c.result)
    database = await Database.open(place.url)
    async with database.read(place.shop.tenant) as tx:
        rows = await tx.rows(held.where(owned(quote_revisions, tx.tenant)))
    await database.close()
    revisions: list[bytes] = sorted((row["request"] + row["result"] for row in rows), key=len)
    return revisions[len(revisions) // 2]


def _bare(place: Place, row: bytes, count: int) -> float:
    """Seconds on a core for a row, inserted and committed."""
    insert: dict[Kind, Callable[[], None]] = {
        "SQLite": lambda: _into_sqlite(place.url, row, count),
        "PostgreSQL": lambda: asyncio.run(_into_postgresql(place.url, row, count)),
    }
    families = (os.getpid(), *place.pids)
    before = cpu_seconds(*families)
    insert[place.kind]()
    return (cpu_seconds(*families) - before) / count


def _into_sqlite(url: str, row: bytes, count: int) -> None:
    database = sqlite3.connect(str(make_url(url).database), isolation_level=None)
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE IF NOT EXISTS bare (id INTEGER PRIMARY KEY, body BLOB)")
    for _ in range(count):
        database.execute("BEGIN IMMEDIATE")
        database.execute("INSERT INTO bare (body) VALUES (?)", (row,))
        database.execute("COMMIT")
    database.close()


async def _into_postgresql(url: str, row: bytes, count: int) -> None:
    database = await asyncpg.connect(url)
    await database.execute("CREATE TABLE IF NOT EXISTS bare (id bigserial PRIMARY KEY, body bytea)")
    for _ in range(count):
        async with database.transaction():
            await database.execute("INSERT INTO bare (body) VALUES ($1)", row)
    await database.close()
