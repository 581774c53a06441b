"""Readiness is told quickly and truly: with the database well, away, hanging, or without this version's tables."""

import asyncio
import os
import signal
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.api.readiness import READY_SECONDS
from cotterline.main import create_app
from cotterline.settings import Settings
from cotterline.store import migrate
from cotterline.store.database import Database
from tests import postgres
from tests.delivery.outbox import enqueue, event
from tests.shops import Shop

pytestmark = pytest.mark.anyio

PATIENCE = READY_SECONDS + 1
"""A probe gives up after a few seconds; the answer must come well before."""


@contextmanager
def serving(url: str, **settings: Any) -> Iterator[TestClient[Edge]]:  # noqa: ANN401 - any setting
    with TestClient(create_app(Settings(database_url=url, **settings)), raise_server_exceptions=False) as client:
        yield client


def unready(client: TestClient[Edge]) -> str:
    """Ask; gives the detail of the refusal, which must come in time, be a problem, and say when to ask again."""
    begun = time.monotonic()
    answer = client.get("/health/ready")
    assert time.monotonic() - begun < PATIENCE
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")
    assert answer.headers["retry-after"] == "5"
    assert client.get("/health/live").status_code == 200
    detail: str = answer.json()["detail"]
    return detail


def test_a_migrated_database_is_ready(database_url: str) -> None:
    with serving(database_url) as client:
        assert client.get("/health/ready").json() == {"status": "ok", "deliveries_due": 0, "delivery_lag_seconds": 0.0}


async def test_readiness_tells_how_far_the_workers_lie_behind(
    database: Database, database_url: str, shop_a: Shop, shop_b: Shop
) -> None:
    hour_ago = datetime.now(UTC) - timedelta(hours=1)
    for shop in (shop_a, shop_b):
        await enqueue(database, shop.tenant, event("till", hour_ago), event("till", datetime.now(UTC)))
    with serving(database_url, worker="off") as client:
        told = client.get("/health/ready").json()
    assert told["deliveries_due"] == 4
    assert 3600 <= told["delivery_lag_seconds"] < 3700


def test_a_database_without_a_table_lacks_every_step_and_says_what_to_run(empty_database_url: str) -> None:
    with serving(empty_database_url) as client:
        detail = unready(client)
    assert ", ".join(migrate.steps()) in detail
    assert "`cotterline migrate`" in detail


def test_a_database_one_step_behind_is_unready_until_it_is_migrated(database_url: str) -> None:
    asyncio.run(migrate.revert(database_url))
    with serving(database_url) as client:
        detail = unready(client)
        assert migrate.steps()[-1] in detail
        assert migrate.steps()[-2] not in detail
        asyncio.run(migrate.migrate(database_url))
        assert client.get("/health/ready").status_code == 200


@pytest.fixture
def own() -> Iterator[postgres.Started]:
    """Run a PostgreSQL for one test, which may stop it, with the tables in its first database."""
    try:
        with postgres.own_server() as own:
            asyncio.run(migrate.migrate(own.url))
            yield own
    except postgres.UnavailableError as error:
        postgres.give_up(error, os.environ)


def processes(server: int) -> list[int]:
    """The server's process and those it started, from the first fields of /proc/PID/stat."""
    stats = [path.read_text().rpartition(")") for path in Path("/proc").glob("[0-9]*/stat")]
    parents = {int(name.split()[0]): int(rest.split()[1]) for name, _, rest in stats}
    return [server, *(pid for pid, parent in parents.items() if parent == server)]


@contextmanager
def hanging(server: int) -> Iterator[None]:
    """Stop the server in its tracks: connections stay open, new ones are accepted by the kernel, nothing answers."""
    stopped = processes(server)
    for pid in stopped:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in stopped:
            os.kill(pid, signal.SIGCONT)


def test_a_database_that_hangs_is_unready_in_time_and_ready_again_when_it_goes_on(own: postgres.Started) -> None:
    with serving(own.url) as client:
        assert client.get("/health/ready").status_code == 200
        with hanging(own.pid):
            assert len(processes(own.pid)) > 2
            for _ in range(3):
                unready(client)
        end = time.monotonic() + 20
        while client.get("/health/ready").status_code != 200:
            assert time.monotonic() < end


def test_probes_that_come_together_while_it_hangs_are_all_answered_in_time(own: postgres.Started) -> None:
    with serving(own.url) as client, hanging(own.pid), ThreadPoolExecutor(20) as probes:
        assert len([*probes.map(lambda _: unready(client), range(20))]) == 20


def test_a_database_that_was_stopped_is_unready(own: postgres.Started) -> None:
    with serving(own.url) as client:
        assert client.get("/health/ready").status_code == 200
        os.kill(own.pid, signal.SIGINT)
        end = time.monotonic() + 20
        while client.get("/health/ready").status_code == 200:
            assert time.monotonic() < end
        unready(client)
