"""Servers and workers in processes of their own, on a test's database."""

import contextlib
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx

from tests.command_line import environment

DYING = Path(__file__).with_name("dying.py")
SECONDS = 60


class Process(NamedTuple):
    """A process, and the address it serves at, if it serves."""

    running: subprocess.Popen[bytes]
    address: str = ""

    def has_died(self) -> int:
        """Wait until it ended, and return how."""
        return self.running.wait(SECONDS)


@contextlib.contextmanager
def server(folder: Path, url: str, dies: str = "", **settings: str) -> Iterator[Process]:
    """Serve, and post from the same process, until the block ends; kill it then, if it lives still."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    more = {"COTTERLINE_PORT": str(port), "COTTERLINE_RATE_PER_MINUTE": "0", "COTTERLINE_SHOP_RATE_PER_MINUTE": "0"}
    with _started(folder, url, dies, "serve", **more, **settings) as running:
        _wait_until_live(running, address)
        yield Process(running, address)


@contextlib.contextmanager
def worker(folder: Path, url: str, dies: str = "", **settings: str) -> Iterator[Process]:
    """Post what is due until the block ends; kill it then, if it lives still."""
    with _started(folder, url, dies, "worker", **settings) as running:
        yield Process(running)


@contextlib.contextmanager
def _started(folder: Path, url: str, dies: str, command: str, **settings: str) -> Iterator[subprocess.Popen[bytes]]:
    own = environment(
        COTTERLINE_DATABASE_URL=url,
        COTTERLINE_OPEN_NETWORKS="127.0.0.0/8",
        COTTERLINE_TEST_DIES=dies,
        **settings,
    )
    with (folder / f"{command}.log").open("ab") as log:
        program = (sys.executable, "-P", str(DYING), command)
        running = subprocess.Popen(program, env=own, stdout=log, stderr=log)  # noqa: S603 - this very program
    try:
        yield running
    finally:
        running.kill()
        running.wait(SECONDS)


def _wait_until_live(running: subprocess.Popen[bytes], address: str) -> None:
    deadline = time.monotonic() + SECONDS
    while True:
        assert running.poll() is None
        assert time.monotonic() < deadline
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{address}/health/live").status_code == httpx.codes.OK:
                return
        time.sleep(0.05)
