"""A server that is told to stop loses nothing: servers are replaced one by one under load, and no call fails."""

import http.client
import itertools
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Self

import httpx
import msgspec
import pytest

from tests.cli.test_cli_serve import FIRST_BIKE, ended, served
from tests.command_line import SECONDS, ask
from tests.shops import Shop

LEAVE_SECONDS = 1
LOOK_SECONDS = 0.1
CALLERS = 3


class Balancer:
    """Knows which of some servers are ready, by asking them ten times a second."""

    def __init__(self) -> None:
        self.ports: list[int] = []
        self._ready: list[int] = []
        self._turns = itertools.count()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look)

    @property
    def port(self) -> int:
        """One of those that are ready, by turns."""
        ready = self._ready
        return ready[next(self._turns) % len(ready)]

    def _look(self) -> None:
        while not self._over.is_set():
            self._ready = [port for port in self.ports if self._is_ready(port)] or self._ready
            time.sleep(LOOK_SECONDS)

    @staticmethod
    def _is_ready(port: int) -> bool:
        try:
            return ask(port, "GET", "/health/ready")[0] == 200
        except OSError:
            return False

    def __enter__(self) -> Self:
        self._thread.start()
        deadline = time.monotonic() + SECONDS
        while not self._ready:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


@contextmanager
def calling(balancer: Balancer, key: str) -> Iterator[tuple[list[str], list[object]]]:
    """Make quotes from several threads while the block runs; gives the ids that came, and whatever else did."""
    made: list[str] = []
    failed: list[object] = []
    over = threading.Event()

    def call() -> None:
        while not over.is_set():
            try:
                status, body = ask(balancer.port, "POST", "/v1/quotes", FIRST_BIKE, key)
            except (OSError, http.client.HTTPException) as error:
                failed.append(error)
                continue
            if status == 201:
                made.append(msgspec.json.decode(body)["id"])
            else:
                failed.append((status, body))

    threads = [threading.Thread(target=call) for _ in range(CALLERS)]
    for thread in threads:
        thread.start()
    try:
        yield made, failed
    finally:
        over.set()
        for thread in threads:
            thread.join()


@pytest.mark.parametrize("backend", ["postgresql"])
def test_servers_are_replaced_one_by_one_and_no_call_fails(database_url: str, shop_a: Shop, tmp_path: Path) -> None:
    settings = {
        "COTTERLINE_DATABASE_URL": database_url,
        "COTTERLINE_LEAVE_SECONDS": str(LEAVE_SECONDS),
        "COTTERLINE_DATABASE_CONNECTIONS": "4",
        "COTTERLINE_RATE_PER_MINUTE": "0",
        "COTTERLINE_SHOP_RATE_PER_MINUTE": "0",
        "COTTERLINE_WORKER": "off",
    }
    balancer = Balancer()
    with ExitStack() as running:
        old = [running.enter_context(served(tmp_path, **settings)) for _ in range(2)]
        balancer.ports += [port for _, port in old]
        with balancer, calling(balancer, shop_a.key) as (made, failed):
            for process, port in old:
                _, fresh = running.enter_context(served(tmp_path, **settings))
                balancer.ports.append(fresh)
                time.sleep(3 * LOOK_SECONDS)
                process.send_signal(signal.SIGTERM)
                ended(process, tmp_path, port)
                balancer.ports.remove(port)
        assert failed == []
        assert len(made) == len({*made}) > 2 * CALLERS
        assert kept(balancer.ports[0], shop_a) == {*made}


def kept(port: int, shop: Shop) -> set[str]:
    """Ids of all quotes there are."""
    found: set[str] = set()
    address: str | None = "/v1/quotes?limit=100"
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers=shop.headers, timeout=SECONDS) as client:
        while address:
            answer = client.get(address)
            found |= {quote["id"] for quote in answer.json()["quotes"]}
            address = answer.links.get("next", {}).get("url")
    return found


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_server_that_leaves_says_so_and_closes_each_connection(
    database_url: str, shop_a: Shop, tmp_path: Path
) -> None:
    with served(tmp_path, COTTERLINE_DATABASE_URL=database_url, COTTERLINE_LEAVE_SECONDS="60") as (process, port):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SECONDS)
        connection.request("GET", "/v1/quotes", headers=shop_a.headers)
        before = connection.getresponse()
        before.read()
        assert before.getheader("connection") != "close"
        process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + SECONDS
        while (told := ask(port, "GET", "/health/ready"))[0] == 200:
            assert time.monotonic() < deadline
        assert (told[0], b"about to stop" in told[1]) == (503, True)
        assert ask(port, "GET", "/health/live")[0] == 200
        connection.request("GET", "/v1/quotes", headers=shop_a.headers)
        last = connection.getresponse()
        assert (last.status, last.getheader("connection")) == (200, "close")
        last.read()
        process.send_signal(signal.SIGTERM)  # a second one does not wait
        ended(process, tmp_path, port)
