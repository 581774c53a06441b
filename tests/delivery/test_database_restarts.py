"""PostgreSQL crashes and comes back under load: whatever was committed is posted, and wake-ups are heard again."""

import asyncio
import contextlib
import os
import signal
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import SQLAlchemyError

from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.store import deliveries
from cotterline.store.database import Database
from cotterline.store.deliveries import CHANNEL, DeliveryRow, DeliverySearch
from cotterline.store.migrate import migrate
from cotterline.store.tenancy import Tenant
from cotterline.store.wakeups import PROBE_SECONDS, Wakeups
from tests import postgres, shops
from tests.delivery.outbox import CIPHER, Receiving, event, subscribe

pytestmark = pytest.mark.anyio

CRASHES = 3
SECONDS = 60
SOON = PROBE_SECONDS / 2
"""Before a connection that was cut is asked whether it is still there."""


@pytest.fixture
def own() -> Iterator[postgres.Started]:
    """Start a server that only this test talks to."""
    try:
        with postgres.own_server() as started:
            yield started
    except postgres.UnavailableError as error:
        postgres.give_up(error, os.environ)


@pytest.fixture
async def shaky(own: postgres.Started) -> AsyncIterator[tuple[Database, Tenant]]:
    """Give a database on it, and a shop there."""
    await asyncio.to_thread(asyncio.run, migrate(own.url))
    there = await shops.add(own.url)
    database = await Database.open(own.url)
    yield database, there.a.tenant
    await database.close()


async def crash(own: postgres.Started) -> None:
    """Kill one of its processes, on which it drops every connection and recovers from its log; return when it has.

    PostgreSQL 18 documentation, 19.13, ``restart_after_crash``.
    """
    before = children(own.pid)
    (victim,) = [pid for pid, name in before.items() if "checkpointer" in name]
    os.kill(victim, signal.SIGKILL)
    async with asyncio.timeout(SECONDS):
        while before.keys() & children(own.pid).keys():  # noqa: ASYNC110 - another process's
            await asyncio.sleep(0.01)


def children(server: int) -> dict[int, str]:
    """The processes a server started, by what each is called."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(FileNotFoundError, ProcessLookupError):
            _, _, rest = (folder / "stat").read_text().rpartition(")")
            if int(rest.split()[1]) == server:
                found[int(folder.name)] = (folder / "cmdline").read_text()
    return found


async def up(database: Database, tenant: Tenant) -> None:
    """Wait until it can be written to."""
    async with asyncio.timeout(SECONDS):
        while True:
            try:
                async with database.write(tenant) as tx:
                    await deliveries.hold(tx, "supplier", "nobody")
            except (SQLAlchemyError, OSError):
                await asyncio.sleep(0.05)
            else:
                return


async def every(database: Database, tenant: Tenant) -> tuple[DeliveryRow, ...]:
    """Whatever is in the outbox."""
    async with database.read(tenant) as tx:
        return (await deliveries.page(tx, DeliverySearch(), None, 100_000)).deliveries


async def test_under_load_all_that_was_committed_is_posted_and_nothing_else(
    own: postgres.Started, shaky: tuple[Database, Tenant], poster: Poster, depot: Receiving
) -> None:
    database, tenant = shaky
    names = [await subscribe(database, tenant, depot.endpoint) for _ in range(10)]
    worker = Worker(database, CIPHER, poster, lease=timedelta(seconds=5))
    running = asyncio.create_task(worker.run())
    stop = asyncio.Event()
    failures = 0

    async def load(name: str) -> None:
        nonlocal failures
        while not stop.is_set():
            try:
                async with database.write(tenant) as tx:
                    await deliveries.enqueue(tx, event(name, datetime.now(UTC)))
            except (SQLAlchemyError, OSError):
                failures += 1
                await asyncio.sleep(0.05)
            await asyncio.sleep(0.01)

    loading = [asyncio.create_task(load(name)) for name in names]
    for number in range(1, CRASHES + 1):
        await depot.until(50 * number, SECONDS)
        await crash(own)
        await up(database, tenant)
    stop.set()
    await asyncio.gather(*loading)
    assert failures
    async with asyncio.timeout(SECONDS):
        while {one.state for one in await every(database, tenant)} != {"delivered"}:  # noqa: ASYNC110 - the worker's
            await asyncio.sleep(0.1)
    worker.stop()
    await running
    kept = [one.message_id for one in await every(database, tenant)]
    assert len(kept) > 50 * CRASHES
    assert set(depot.message_ids) == set(kept)


async def test_a_listener_that_lost_its_connection_hears_again(
    own: postgres.Started, shaky: tuple[Database, Tenant], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cotterline.store.wakeups.AGAIN_SECONDS", 0.1)
    ours, tenant = shaky
    theirs = await Database.open(own.url)
    wakeups = Wakeups(ours, CHANNEL)
    listening = asyncio.create_task(wakeups.listen())
    for _ in range(2):
        await wakeups.wait(SOON)  # it says so when it begins to listen
        assert ours.heard(CHANNEL).is_set()
        for _ in range(2):
            wakeups.forget()
            async with theirs.write(tenant) as tx:
                await deliveries.enqueue(tx, event("till"))
            await wakeups.wait(SOON)
            assert ours.heard(CHANNEL).is_set()
        wakeups.forget()
        await crash(own)
        await up(theirs, tenant)
    listening.cancel()
    await theirs.close()


async def test_an_announcement_of_another_process_is_heard_only_once_it_is_committed(
    shaky: tuple[Database, Tenant], own: postgres.Started
) -> None:
    ours, tenant = shaky
    theirs = await Database.open(own.url)
    wakeups = Wakeups(ours, CHANNEL)
    listening = asyncio.create_task(wakeups.listen())
    await wakeups.wait(SECONDS)
    wakeups.forget()
    async with theirs.write(tenant) as tx:
        await deliveries.enqueue(tx, event("till"))
        await wakeups.wait(0.3)
        assert not ours.heard(CHANNEL).is_set()
    await wakeups.wait(5)
    assert ours.heard(CHANNEL).is_set()
    listening.cancel()
    await theirs.close()
