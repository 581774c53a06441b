"""How fast a worker posts what is due, beside a loop that posts the same bodies to the same sink and keeps nothing.

The bound is on posts a second; the seconds on the core are told beside, for the worker's process alone.
"""

import asyncio
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Final, NamedTuple

import aiohttp

from cotterline.delivery.outbox_worker import SLOTS, Worker
from cotterline.delivery.post import Poster
from cotterline.store.database import Database
from cotterline.store.delivery_claims import AT_ONCE
from tests.benchmarks.figures import Figure, Outcome, told_time
from tests.benchmarks.grounds import CLIENT_CORE, SERVER_CORE, Grounds, Place, Size, program
from tests.benchmarks.machine import core, kept_to
from tests.benchmarks.sampling import Sampler
from tests.delivery.outbox import CIPHER, LOOPBACK, enqueue, event, subscribe

LEAST: Final = 0.5
RECEIVERS: Final = SLOTS // AT_ONCE
"""As many as keep every slot of a worker busy."""

BODY: Final = b'{"type":"quote.issued","data":{"text":"' + b"x" * 2000 + b'"}}'


class Posted(NamedTuple):
    """Seconds a post, by the clock on the wall and on the core."""

    wall: float
    cpu: float

    @property
    def told(self) -> str:
        """In words."""
        return f"{1 / self.wall:.0f} a second, {told_time(self.cpu)} on the core"


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure with PostgreSQL, where several workers may be."""
    place = grounds.place("PostgreSQL")
    with program("tests.benchmarks.sink", core(CLIENT_CORE)) as (port, _), kept_to(core(SERVER_CORE)):
        endpoint = f"http://127.0.0.1:{port}/events"
        found = [
            (asyncio.run(_worked(place, endpoint, size.posts)), asyncio.run(_bare(endpoint, size.posts)))
            for _ in range(size.rounds)
        ]
        worker, bare = (min(each) for each in zip(*found, strict=True))
        share = bare.wall / worker.wall
        outcome = Outcome((Figure("posts by a worker", worker.told, f"{bare.told}, bare loop", share, least=LEAST),))
        return outcome._replace(profile=_profile(place, endpoint, size.posts)) if outcome.missed else outcome


def _profile(place: Place, endpoint: str, count: int) -> tuple[str, ...]:
    """Where a worker is while it posts."""
    sampler = Sampler(lambda: True)
    sampler.start()
    asyncio.run(_worked(place, endpoint, count))
    sampler.stop()
    return tuple(sampler.told())


async def _worked(place: Place, endpoint: str, count: int) -> Posted:
    """Put posts into the outbox and let a worker find them."""
    tenant = place.shop.tenant
    database = await Database.open(place.url)
    names = [await subscribe(database, tenant, endpoint) for _ in range(RECEIVERS)]
    now = datetime.now(UTC)
    await enqueue(database, tenant, *(event(names[number % RECEIVERS], now, BODY) for number in range(count)))
    done, over = 0, asyncio.Event()

    def tried(*_: object) -> None:
        nonlocal done
        done += 1
        if done == count:
            over.set()

    async with Poster(LOOPBACK) as poster:
        worker = Worker(database, CIPHER, poster, count=tried)

        async def work() -> None:
            running = asyncio.create_task(worker.run())
            await over.wait()
            worker.stop()
            await running

        posted = await _timed(work, count)
    await database.close()
    return posted


async def _bare(endpoint: str, count: int) -> Posted:
    """Post as many, as many at once, and look at no more than the status."""
    waiting = iter(range(count))
    headers = {"Content-Type": "application/json"}
    async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:

        async def some() -> None:
            for _ in waiting:
                async with session.post(endpoint, data=BODY, headers=headers) as answer:
                    answer.raise_for_status()
                    await answer.read()

        async def work() -> None:
            await asyncio.gather(*(some() for _ in range(SLOTS)))

        return await _timed(work, count)


async def _timed(work: Callable[[], Awaitable[None]], count: int) -> Posted:
    began, on_core = time.perf_counter(), time.process_time()
    await work()
    return Posted((time.perf_counter() - began) / count, (time.process_time() - on_core) / count)
