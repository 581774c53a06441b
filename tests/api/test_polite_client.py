"""A client that waits as long as Retry-After says gets all its answers, from however many processes."""

import http.client
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import cycle
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.command_line import COMMAND, environment
from tests.shops import Shop

REQUESTS = 8
BURST = 5
PER_SECOND = 1
START_SECONDS = 60


class Answer(NamedTuple):
    """What a client goes by."""

    status: int
    retry_after: float


@contextmanager
def process(database_url: str, folder: Path) -> Iterator[int]:
    """Run the service as a process of its own; gives its port."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
    settings = {"RATE_PER_MINUTE": str(60 * PER_SECOND), "RATE_BURST": str(BURST), "DATABASE_URL": database_url}
    env = environment(**{f"COTTERLINE_{name}": value for name, value in settings.items()})
    with (folder / f"{port}.log").open("wb") as log:
        command = [*COMMAND, "serve", "--port", str(port)]
        running = subprocess.Popen(command, cwd=folder, env=env, stdout=log, stderr=log)  # noqa: S603 - this very program
    try:
        wait_until_ready(port)
        yield port
    finally:
        running.terminate()
        running.wait(START_SECONDS)


def wait_until_ready(port: int) -> None:
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end:
        try:
            if get(port, "/health/ready", {}).status == http.client.OK:
                return
        except OSError:
            pass
        time.sleep(0.05)
    raise TimeoutError


def get(port: int, path: str, headers: dict[str, str]) -> Answer:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return Answer(answer.status, float(answer.getheader("Retry-After", "0")))


@pytest.mark.parametrize(("backend", "processes"), [("sqlite", 1), ("postgresql", 2)], indirect=["backend"])
def test_a_client_that_honours_retry_after_gets_through_at_the_rate_and_no_faster(
    database_url: str, shop_a: Shop, tmp_path: Path, processes: int
) -> None:
    with ExitStack() as running:
        ports = [running.enter_context(process(database_url, tmp_path)) for _ in range(processes)]
        turns = cycle(ports)
        begun = time.monotonic()
        refused = served = 0
        while served < REQUESTS:
            answer = get(next(turns), "/v1/quotes", shop_a.headers)
            if answer.status == http.client.TOO_MANY_REQUESTS:
                refused += 1
                assert answer.retry_after >= 1
                time.sleep(answer.retry_after)
                answer = get(next(turns), "/v1/quotes", shop_a.headers)  # once was waited for, the next one passes
            assert answer.status == http.client.OK
            served += 1
            assert served <= BURST + PER_SECOND * (time.monotonic() - begun)
    assert refused >= 1
