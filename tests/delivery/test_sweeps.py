"""A worker looks by itself for all that time alone brings about."""

import asyncio
from pathlib import Path

import pytest

from cotterline.store import events
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.api.conftest import SECRET_KEY
from tests.delivery import processes
from tests.delivery.test_lapsed_quotes import kept
from tests.store.test_recheck_visits import planned

pytestmark = pytest.mark.anyio

SECONDS = 30


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
