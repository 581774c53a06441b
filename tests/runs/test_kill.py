"""Killed at whatever step, a run comes to the same bytes and counts as one that nobody disturbed."""

import asyncio
import re
import signal
from pathlib import Path
from typing import NamedTuple
from uuid import UUID

import pytest
from sqlalchemy import select

from cotterline.runs.worker import RunWorker
from cotterline.store import events
from cotterline.store.database import Database
from cotterline.store.tables import quote_run_parts
from cotterline.store.tenancy import Tenant
from tests.api.conftest import SECRET_KEY
from tests.delivery import processes
from tests.runs.upload import answers, lines, uploaded
from tests.store.running import WEEK, get

pytestmark = pytest.mark.anyio

STEPS = [
    "part claimed, not committed",
    "part claimed",
    "amid a part",
    "part answered, not kept",
    "part kept, not committed",
    "run told of, not committed",
    "part kept",
]
UPLOAD = lines(270, 1)
URN = re.compile(rb"urn:uuid:[0-9a-f-]{36}")


class Came(NamedTuple):
    """What came of a run, but for what names it."""

    told: bytes
    counts: tuple[int, int, int, int]
    events: int


async def came_of(database: Database, tenant: Tenant, run_id: UUID) -> Came:
    run = await get(database, tenant, run_id)
    told = URN.sub(b"", b"".join(await answers(database, tenant, run_id)))
    async with database.read(tenant) as tx:
        posts = [event for event in await events.after(tx, 0, 99) if event.resource_id == str(run_id)]
    return Came(told, (run.quoted, run.refused, run.parts, run.parts_done), len(posts))


async def undisturbed(database: Database, tenant: Tenant) -> Came:
    """A run that this process works through."""
    run = await uploaded(database, tenant, UPLOAD)
    worker = RunWorker(database, WEEK)
    while await worker.work_once():
        pass
    return await came_of(database, tenant, run.id)


async def finished(database: Database, tenant: Tenant, run_id: UUID) -> None:
    """Wait until another process has finished a run."""
    async with asyncio.timeout(processes.SECONDS):
        while (await get(database, tenant, run_id)).state != "finished":  # noqa: ASYNC110 - another process's
            await asyncio.sleep(0.1)


@pytest.mark.parametrize("step", STEPS)
async def test_a_worker_killed_at_any_step_loses_and_doubles_nothing(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path, step: str
) -> None:
    expected = await undisturbed(database, tenant)
    assert expected.counts == (27, 243, 2, 2)
    assert expected.events == 1
    run = await uploaded(database, tenant, UPLOAD)
    with processes.worker(tmp_path, database_url, step, COTTERLINE_SECRET_KEYS=SECRET_KEY) as first:
        assert await asyncio.to_thread(first.has_died) == -signal.SIGKILL
    assert (await get(database, tenant, run.id)).state == "working"
    with processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY):
        await finished(database, tenant, run.id)
    assert await came_of(database, tenant, run.id) == expected


async def test_workers_of_two_processes_do_each_part_once(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    run = await uploaded(database, tenant, b"{}\n" * 256 * 40)
    with (
        processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY),
        processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY),
    ):
        await finished(database, tenant, run.id)
    assert (await came_of(database, tenant, run.id)).counts == (0, 40 * 256, 40, 40)
    async with database.read(tenant) as tx:
        rows = await tx.rows(select(quote_run_parts.c.attempts).where(quote_run_parts.c.run_id == run.id))
    assert {row["attempts"] for row in rows} == {1}


async def test_a_worker_told_to_stop_ends_well_and_leaves_its_part_to_others(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    run = await uploaded(database, tenant, lines(256))
    claim = select(quote_run_parts.c.lease, quote_run_parts.c.attempts).where(quote_run_parts.c.run_id == run.id)

    async def claimed() -> tuple[bool, int]:
        async with database.read(tenant) as tx:
            (row,) = await tx.rows(claim)
        return row["lease"] is not None, row["attempts"]

    with processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY) as first:
        async with asyncio.timeout(processes.SECONDS):
            while await claimed() != (True, 1):  # noqa: ASYNC110 - another process's
                await asyncio.sleep(0.05)
        first.running.send_signal(signal.SIGTERM)
        assert await asyncio.to_thread(first.has_died) == 0
    assert await claimed() == (False, 0)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
async def test_a_full_disk_is_said_and_loses_nothing(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    expected = await undisturbed(database, tenant)
    run = await uploaded(database, tenant, UPLOAD)
    await database.close()  # nothing is left in the log that is written ahead, and the worker's grows from nothing
    log = tmp_path / "worker.log"
    more = {"COTTERLINE_SECRET_KEYS": SECRET_KEY, "COTTERLINE_TEST_FILE_BYTES": "60000"}
    with processes.worker(tmp_path, database_url, **more):
        async with asyncio.timeout(processes.SECONDS):
            while not log.exists() or b"the database is away" not in log.read_bytes():  # noqa: ASYNC110 - its
                await asyncio.sleep(0.1)
    reopened = await Database.open(database_url)
    try:
        assert (await get(reopened, tenant, run.id)).state == "working"
        with processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY):
            await finished(reopened, tenant, run.id)
        assert await came_of(reopened, tenant, run.id) == expected
    finally:
        await reopened.close()
