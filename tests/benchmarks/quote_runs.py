"""A run of bicycles worked on by two workers, beside as long a run worked on by one; each has a core of its own.

The ratio is of bicycles a second by the clock on the wall, from the first byte sent until the run is finished.
"""

import asyncio
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Final

import asyncpg  # type: ignore[import-untyped] # comes without types
import httpx

from cotterline.api.bicycles.forms import JSON_LINES
from tests.benchmarks.figures import Figure, Outcome
from tests.benchmarks.grounds import START_SECONDS, Grounds, Running, Size, serving
from tests.benchmarks.invented_bikes import json_lines
from tests.benchmarks.machine import core, kept_to
from tests.delivery import processes

LEAST: Final = 1.8
WORKERS: Final = 2
PART: Final = 256
"""Bicycles of a part. A run is of as many parts for each worker, so that none waits for the other at its end."""

PARTS_EACH: Final = 8
EACH: Final = 6
"""Bicycles of a run for each request that other benchmarks make in a round, up to that."""

LISTENERS: Final = 2
"""What a worker has open to hear of posts and of runs."""

LOOK_SECONDS: Final = 0.1
MOST_SECONDS: Final = 900.0


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure on PostgreSQL, where several workers may be."""
    bicycles = length(size.requests)
    one, two = (_best(grounds, workers, bicycles, size.rounds) for workers in (1, WORKERS))
    beside = f"{one:.0f} a second by one"
    figure = Figure(f"run of {bicycles:,} bicycles, two workers", f"{two:.0f} a second", beside, two / one, least=LEAST)
    return Outcome((figure,))


def length(requests: int) -> int:
    """Bicycles of a run: some for each request of a round, and whole parts for each worker if it is so many.

    >>> length(1), length(100), length(10**6)
    (6, 512, 4096)
    """
    wanted, turn = EACH * requests, WORKERS * PART
    return min(wanted // turn, PARTS_EACH) * turn or wanted


def _best(grounds: Grounds, workers: int, bicycles: int, rounds: int) -> float:
    """Bicycles a second, in the best of some runs."""
    place = grounds.place("PostgreSQL")
    with serving("service", place) as running, _working(grounds, running.place.url, workers):
        _finished(running, json_lines(min(bicycles, WORKERS * PART)))  # facts are read and the code is warm
        # Other bicycles each time: one worker would have met all kinds of the last run, and two half of them each.
        runs = (json_lines(bicycles, first=number * bicycles + 1) for number in range(1, rounds + 1))
        return max(bicycles / _finished(running, run) for run in runs)


@contextmanager
def _working(grounds: Grounds, url: str, workers: int) -> Iterator[None]:
    """Have workers, each on a core of its own, and wait until they are there."""
    with ExitStack() as there:
        for number in range(workers):
            with kept_to(core(number)):
                folder = grounds.folder / f"worker-{number}"
                folder.mkdir(exist_ok=True)
                there.enter_context(processes.worker(folder, url))
        asyncio.run(_heard(grounds.server.admin_url, url.rpartition("/")[2], workers * LISTENERS))
        yield


async def _heard(admin_url: str, database: str, listeners: int) -> None:
    connection = await asyncpg.connect(admin_url)
    question = "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'cotterline-listener' AND datname = $1"
    async with asyncio.timeout(START_SECONDS):
        while await connection.fetchval(question, database) < listeners:  # noqa: ASYNC110 - nobody tells of it
            await asyncio.sleep(LOOK_SECONDS)
    await connection.close()


def _finished(running: Running, bicycles: Iterable[bytes]) -> float:
    """Seconds that a run of these bicycles takes."""
    asked = b"".join(bicycles)
    headers = {**running.place.shop.headers, "Content-Type": JSON_LINES, "Prefer": "respond-async"}
    with httpx.Client(base_url=f"http://127.0.0.1:{running.port}", headers=headers, timeout=MOST_SECONDS) as client:
        began = time.perf_counter()
        made = client.post("/v1/quotes/stream", content=asked).raise_for_status()
        while client.get(made.headers["location"]).raise_for_status().json()["state"] != "finished":
            if time.perf_counter() > began + MOST_SECONDS:
                raise RuntimeError("the run did not finish")
            time.sleep(LOOK_SECONDS)
        return time.perf_counter() - began
