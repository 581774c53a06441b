"""How long the server takes from its start until it answers, and what it holds in memory before anybody asked."""

import socket
import statistics
import subprocess
import sys
import time

import httpx

from tests.benchmarks.figures import Figure, Outcome, told_size, told_time
from tests.benchmarks.grounds import START_SECONDS, Grounds, Place, Size
from tests.benchmarks.machine import memory
from tests.command_line import COMMAND, environment


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Start the service as an operator does; nothing is asked of either figure."""
    found = [started(grounds.place("SQLite")) for _ in range(size.rounds)]
    seconds, held = (statistics.median(each) for each in zip(*found, strict=True))
    return Outcome((Figure("start to ready", told_time(seconds)), Figure("memory while idle", told_size(held))))


def started(place: Place) -> tuple[float, int]:
    """Seconds until it is ready, and bytes it then holds."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    own = environment(COTTERLINE_PORT=str(port), COTTERLINE_DATABASE_URL=place.url)
    began = time.perf_counter()
    running = subprocess.Popen(  # noqa: S603 - this very program
        [*COMMAND, "serve"], env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while not _ready(port):
            if running.poll() is not None or time.perf_counter() > began + START_SECONDS:
                raise RuntimeError(f"{sys.executable} did not start the server")
            time.sleep(0.005)
        return time.perf_counter() - began, memory(running.pid)
    finally:
        running.terminate()
        running.wait(START_SECONDS)


def _ready(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/health/ready").is_success
    except httpx.TransportError:
        return False
