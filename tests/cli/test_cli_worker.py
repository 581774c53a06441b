"""A worker of its own process tells of itself where it is told to, serves nothing else, and stops in good order."""

import asyncio
import re
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from ipaddress import IPv4Address
from pathlib import Path
from uuid import uuid4

import msgspec
import pytest
from aiohttp import web
from litestar.routes import HTTPRoute

from cotterline.api.routes import ROUTES
from cotterline.main import application, work
from cotterline.settings import Settings
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.api.conftest import SECRET_KEY
from tests.command_line import COMMAND, SECONDS, ask, environment, free_port, run
from tests.delivery.outbox import Heard, enqueue, event, receiving, row, subscribe

pytestmark = pytest.mark.anyio

TOKEN = "a-scraper-shows-this"  # noqa: S105 - invented
TOLD = {("GET", "/health/live"), ("GET", "/health/ready"), ("GET", "/metrics")}


@contextmanager
def working(folder: Path, url: str, port: int, **settings: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run a worker, from when it is ready if it has a port to say so; kill it at the end, if it lives still."""
    own = environment(
        COTTERLINE_DATABASE_URL=url,
        COTTERLINE_SECRET_KEYS=SECRET_KEY,
        COTTERLINE_METRICS_TOKEN=TOKEN,
        COTTERLINE_OPEN_NETWORKS="127.0.0.0/8",
        COTTERLINE_WORKER_PORT=str(port),
        **settings,
    )
    log = folder / "worker.log"
    with log.open("wb") as out, subprocess.Popen([*COMMAND, "worker"], env=own, stdout=out, stderr=out) as process:  # noqa: S603 - this very program
        try:
            deadline = time.monotonic() + SECONDS
            while port and not is_ready(port):
                assert process.poll() is None, log.read_text()
                assert time.monotonic() < deadline
                time.sleep(0.05)
            yield process
        finally:
            process.kill()


def is_ready(port: int) -> bool:
    try:
        return ask(port, "GET", "/health/ready")[0] == 200
    except OSError:
        return False


def listening(pid: int) -> set[tuple[str, int]]:
    """Where a process listens, from proc(5): the state of such a socket is 0A."""
    found = set()
    own = {str(each.readlink()) for each in Path(f"/proc/{pid}/fd").iterdir() if each.is_symlink()}
    for line in Path(f"/proc/{pid}/net/tcp").read_text().splitlines()[1:]:
        fields = line.split()
        if fields[3] == "0A" and f"socket:[{fields[9]}]" in own:
            host, port = fields[1].split(":")
            found.add((str(IPv4Address(bytes.fromhex(host)[::-1])), int(port, 16)))
    return found


def calls() -> set[tuple[str, str]]:
    """Every call there is to a server, with something in each place of its path."""
    routes = [route for route in application(ROUTES).routes if isinstance(route, HTTPRoute)]
    return {
        (method, re.sub(r"\{[^}]*\}", str(uuid4()), route.path_format))
        for route in routes
        for method in route.methods
        if method not in {"OPTIONS", "HEAD"}
    }


@pytest.mark.parametrize("backend", ["postgresql"])
def test_a_worker_tells_of_itself_on_this_machine_and_serves_nothing_else(database_url: str, tmp_path: Path) -> None:
    port = free_port()
    with working(tmp_path, database_url, port) as process:
        assert listening(process.pid) == {("127.0.0.1", port)}
        assert msgspec.json.decode(ask(port, "GET", "/health/live")[1]) == {"status": "ok"}
        assert msgspec.json.decode(ask(port, "GET", "/health/ready")[1])["deliveries_due"] == 0
        status, page = ask(port, "GET", "/metrics", key=TOKEN)
        assert status == 200
        for line in (b'cotterline_workers{work="runs"} 1.0', b"cotterline_run_parts_under_way 0.0"):
            assert line in page
        others = {call: ask(port, *call)[0] for call in calls() - TOLD}
        assert len(others) > 100
        assert {*others.values()} == {404}
        assert {ask(port, "POST", path)[0] for _, path in TOLD} == {405}
        assert ask(port, "GET", "/metrics")[0] == ask(port, "GET", "/metrics", key=TOKEN[1:])[0] == 401


@pytest.mark.parametrize("backend", ["postgresql"])
async def test_a_worker_says_that_it_leaves_and_is_watched_to_its_end(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    port, enough = free_port(), asyncio.Event()

    async def late(_heard: Heard) -> web.StreamResponse:
        await enough.wait()
        return web.Response(status=202)

    async with receiving() as receiver:
        receiver.answers = late
        post = event(await subscribe(database, tenant, receiver.endpoint), datetime.now(UTC))
        with working(tmp_path, database_url, port) as process:
            await enqueue(database, tenant, post)
            await receiver.until(1)
            process.send_signal(signal.SIGTERM)
            async with asyncio.timeout(SECONDS):
                while (told := await asyncio.to_thread(ask, port, "GET", "/health/ready"))[0] == 200:  # noqa: ASYNC110 - a state of another process
                    await asyncio.sleep(0.02)
            assert (told[0], b"about to stop" in told[1]) == (503, True)
            assert (await asyncio.to_thread(ask, port, "GET", "/health/live"))[0] == 200
            enough.set()
            assert await asyncio.to_thread(process.wait, SECONDS) == 0
    assert (await row(database, tenant, post)).state == "delivered"
    with pytest.raises(ConnectionRefusedError):
        ask(port, "GET", "/health/live")


@pytest.mark.parametrize("backend", ["sqlite"])
async def test_without_a_port_nobody_is_listened_to(
    database: Database, database_url: str, tenant: Tenant, tmp_path: Path
) -> None:
    async with receiving() as receiver:
        await enqueue(database, tenant, event(await subscribe(database, tenant, receiver.endpoint), datetime.now(UTC)))
        with working(tmp_path, database_url, 0) as process:
            await receiver.until(1)
            assert listening(process.pid) == set()


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_port_in_use_ends_a_worker_with_the_reason_in_its_log(database_url: str, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        said = run("worker", folder=tmp_path, COTTERLINE_DATABASE_URL=database_url, COTTERLINE_WORKER_PORT=port)
    assert said.returncode not in {0, 2}
    assert "address already in use" in said.stdout.lower()


@pytest.mark.parametrize("backend", ["sqlite"])
async def test_a_worker_whose_work_has_died_ends(
    database_url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def dying(_self: object) -> None:
        await asyncio.sleep(0)
        raise LookupError("a bug")

    monkeypatch.setattr("cotterline.workers.RunWorker.run", dying)
    async with asyncio.timeout(SECONDS):
        assert not await work(Settings(database_url=database_url))
    assert "a worker has died" in capsys.readouterr().out
