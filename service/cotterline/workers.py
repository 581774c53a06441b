"""What a process does beside calls: it posts what is due, works on runs, and sees to what time alone brings about."""

import asyncio
from collections.abc import AsyncIterator, Coroutine, Iterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta

import structlog

from cotterline.api.metrics import Metrics
from cotterline.delivery.due_visits import DueVisits
from cotterline.delivery.ended_runs import EndedRuns
from cotterline.delivery.lapsed_quotes import LapsedQuotes
from cotterline.delivery.long_over_quotes import LongOverQuotes
from cotterline.delivery.old_answers import OldAnswers
from cotterline.delivery.old_events import OldEvents
from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.delivery.runs_left_behind import RunsLeftBehind
from cotterline.delivery.sweeps import Sweep
from cotterline.runs.worker import RunWorker
from cotterline.settings import Settings, networks_in
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database

GRACE_SECONDS = 30
"""How long requests under way may take to finish once the server was told to stop, and posts after them."""

log = structlog.get_logger("cotterline.workers")


@asynccontextmanager
async def working(
    settings: Settings, database: Database, cipher: Cipher, metrics: Metrics
) -> AsyncIterator[Sequence[asyncio.Task[None]]]:
    """Post what is due while the block runs, where this process is to; at its end posts under way are finished.

    Offers whose time is over and re-checks that are due are told of by the same process, and runs are worked on. Gives
    the work, none of which ends by itself unless by an error of our own.
    """
    if settings.worker == "off":
        yield ()
        return
    async with Poster(networks_in(settings.open_networks), settings.practice_supplier) as poster:
        kept = timedelta(days=settings.run_days)
        posts = Worker(database, cipher, poster, count=metrics.tried)
        runs = RunWorker(database, kept, metrics=metrics.runs)
        running = [_begun("posts", posts.run(), metrics), _begun("runs", runs.run(), metrics)]
        sweeping = [_begun(each.sought, each.run(metrics.swept), metrics) for each in _sweeps(settings, database)]
        try:
            yield (*running, *sweeping)
        finally:
            for each in sweeping:
                each.cancel()
            await asyncio.wait(sweeping)
            for worker in (posts, runs):
                worker.stop()
            await asyncio.wait(running, timeout=GRACE_SECONDS)
            for each in running:
                each.cancel()


def _sweeps(settings: Settings, database: Database) -> Iterator[Sweep]:
    """What time alone brings about, as this operator wants it."""
    for kind in (LapsedQuotes, DueVisits, EndedRuns, OldAnswers):
        yield kind(database, _now)
    yield RunsLeftBehind(database, _now, timedelta(days=settings.run_wait_days))
    if settings.customer_days:
        yield LongOverQuotes(database, _now, timedelta(days=settings.customer_days))
    if settings.event_days:
        yield OldEvents(database, _now, timedelta(days=settings.event_days))


def _begun(name: str, work: Coroutine[object, object, None], metrics: Metrics) -> asyncio.Task[None]:
    """Begin some work, and have it known for as long as it goes on."""

    def ended(task: asyncio.Task[None]) -> None:
        metrics.at_work(name, going=False)
        if not task.cancelled() and (error := task.exception()) is not None:
            log.critical("a worker has died", work=name, exc_info=error)

    task = asyncio.create_task(work)
    task.add_done_callback(ended)
    metrics.at_work(name, going=True)
    return task


def _now() -> datetime:
    return datetime.now(UTC)
