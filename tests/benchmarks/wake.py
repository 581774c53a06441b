"""How long from a commit until its post is on the wire: ``python -m tests.benchmarks.wake``, on an idle machine.

Measured from the end of the transaction to the first byte of the request at its receiver on this machine, which is a
little more than to its leaving.
"""

import asyncio
import contextlib
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click
from aiohttp import web

from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.store.database import Database
from cotterline.store.migrate import migrate
from cotterline.store.tenancy import Tenant
from tests import postgres, shops
from tests.delivery import processes
from tests.delivery.outbox import CIPHER, LOOPBACK, Heard, enqueue, event, receiving, subscribe

BOUND_MS: Final = 50.0
POSTS: Final = 200
PAUSE_SECONDS: Final = 0.02
"""Between two posts, so that each finds the worker waiting."""


async def measured(database: Database, tenant: Tenant) -> list[float]:
    """Milliseconds from each commit until the receiver hears of it."""
    arrived: asyncio.Queue[float] = asyncio.Queue()

    async def answer(_heard: Heard) -> web.StreamResponse:
        await arrived.put(time.perf_counter())
        return web.Response()

    async with receiving() as depot:
        depot.answers = answer
        name = await subscribe(database, tenant, depot.endpoint)
        found = []
        for number in range(POSTS + 10):
            await asyncio.sleep(PAUSE_SECONDS)
            await enqueue(database, tenant, event(name, datetime.now(UTC)))
            committed = time.perf_counter()
            came = await asyncio.wait_for(arrived.get(), 30)
            if number >= 10:
                found.append((came - committed) * 1000)
        return found


@contextlib.asynccontextmanager
async def working(database: Database) -> AsyncIterator[None]:
    """Post from this process."""
    async with Poster(LOOPBACK) as poster:
        worker = Worker(database, CIPHER, poster)
        running = asyncio.create_task(worker.run())
        try:
            yield
        finally:
            worker.stop()
            await running


async def inside(url: str) -> list[float]:
    """Measure with the worker in the process that commits."""
    tenant = (await shops.add(url)).a.tenant
    database = await Database.open(url)
    async with working(database):
        found = await measured(database, tenant)
    await database.close()
    return found


async def beside(url: str, folder: Path) -> list[float]:
    """Measure with the worker in a process of its own."""
    tenant = (await shops.add(url)).a.tenant
    database = await Database.open(url)
    with processes.worker(folder, url):
        found = await measured(database, tenant)
    await database.close()
    return found


def report(name: str, found: list[float]) -> bool:
    """Write the median beside its bound, and tell whether it keeps to it."""
    median, ninth = statistics.median(found), statistics.quantiles(found, n=10)[8]
    well = median < BOUND_MS
    verdict = "within" if well else "BEYOND"
    click.echo(f"{name:<36} median {median:6.2f} ms  90 % {ninth:6.2f} ms  bound {BOUND_MS:.0f} ms: {verdict}")
    return well


def main() -> int:
    """Measure on both databases; the status is 0 where every median is within its bound."""
    with tempfile.TemporaryDirectory() as name, postgres.own_server() as own:
        folder = Path(name)
        sqlite = f"sqlite:///{folder / 'wake.sqlite3'}"
        for url in (sqlite, own.url):
            asyncio.run(migrate(url))
        results = [
            report("SQLite, one process", asyncio.run(inside(sqlite))),
            report("PostgreSQL, one process", asyncio.run(inside(own.url))),
            report("PostgreSQL, a worker of its own", asyncio.run(beside(own.url, folder))),
        ]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
