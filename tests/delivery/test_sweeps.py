"""A worker looks by itself for all that time alone brings about."""

import asyncio
from datetime import datetime
from pathlib import Path
from typing import ClassVar

import pytest

from cotterline.delivery.sweeps import Sweep
from cotterline.store import events
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.tenancy import Tenant
from tests.api.conftest import SECRET_KEY
from tests.delivery import processes
from tests.delivery.outbox import Clock
from tests.delivery.test_lapsed_quotes import kept
from tests.store.test_recheck_visits import planned

pytestmark = pytest.mark.anyio

SECONDS = 30


class Slipping(Sweep):
    """Fails at the first look, and settles one thing of a shop at the second."""

    sought: ClassVar[str] = "slips"
    looks = 0

    async def is_due(self, tx: ReadTransaction, now: datetime) -> bool:
        """Whether this is the second look."""
        del tx, now
        self.looks += 1
        if self.looks == 1:
            raise LookupError("a bug")
        return self.looks == 2

    async def settle(self, tx: WriteTransaction, now: datetime, most: int) -> int:
        """Settle it."""
        del tx, now, most
        return 1


@pytest.mark.usefixtures("tenant")
async def test_an_error_of_our_own_costs_one_sweep_and_the_next_goes_on(
    database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("cotterline.delivery.sweeps.EVERY_SECONDS", 0.01)
    settled = asyncio.Event()
    task = asyncio.create_task(Slipping(database, Clock()).run(lambda *_: settled.set()))
    async with asyncio.timeout(SECONDS):
        await settled.wait()
    task.cancel()
    assert "a sweep failed" in capsys.readouterr().out


async def types(database: Database, tenant: Tenant) -> set[str]:
    async with database.read(tenant) as tx:
        return {event.type for event in await events.after(tx, 0, 10)}


async def test_a_worker_tells_of_offers_that_lapsed_and_of_visits_that_are_due(
    tmp_path: Path, database_url: str, database: Database, tenant: Tenant
) -> None:
    await kept(database, tenant)
    await planned(database, tenant)
    with processes.worker(tmp_path, database_url, COTTERLINE_SECRET_KEYS=SECRET_KEY):
        for _ in range(SECONDS * 10):
            if len(await types(database, tenant)) == 2:
                break
            await asyncio.sleep(0.1)
    assert await types(database, tenant) == {"quote.expired", "recheck_visit.due"}
