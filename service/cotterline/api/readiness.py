"""Whether the database answers, has this version's tables, and what is due there, asked with a time limit."""

import asyncio
from datetime import UTC, datetime
from typing import Final

import msgspec
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from cotterline.store import delivery_claims, migrate, quote_run_claims
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.quote_run_claims import RunLag
from cotterline.store.tenancy import SERVICE

READY_SECONDS: Final = 2.0
"""How long a database may take to answer; whoever asks gets his answer then, well within a probe's patience."""


class Backlog(msgspec.Struct, frozen=True, kw_only=True):
    """What waits for a worker, over every shop.

    Attributes:
        count: deliveries that are due and not being posted.
        seconds: since when the oldest of them is due.
        runs: how far the workers of runs lie behind.
        run_seconds: since when nothing has come of the run that waits longest.
    """

    count: int
    seconds: float
    runs: RunLag
    run_seconds: float


class Found(msgspec.Struct, frozen=True):
    """What the database answered: the migrations it lacks or that outgrew this version, or else the backlog."""

    lacking: tuple[str, ...]
    backlog: Backlog | None = None
    outgrown: bool = False


class Readiness:
    """Asks the database, one question at a time, for however many probes wait for the answer.

    A database that hangs may hold up even giving up the question, so the probes do not wait for that.
    """

    def __init__(self, database: Database, seconds: float = READY_SECONDS) -> None:
        self._database = database
        self._seconds = seconds
        self._known = migrate.steps()
        self.leaving = False
        """Whether the server is about to stop, whatever its database says."""
        self._asking: asyncio.Task[Found] | None = None

    async def found(self) -> Found:
        """Return what the database answers.

        Raises:
            TimeoutError: it did not answer in time.
            OSError, SQLAlchemyError: it cannot be reached.
        """
        if self._asking is None or self._asking.done():
            self._asking = asyncio.create_task(self._ask())
            self._asking.add_done_callback(_look_at)
        done, _ = await asyncio.wait([self._asking], timeout=self._seconds)
        if not done:
            raise TimeoutError("the database did not answer in time")
        return self._asking.result()

    async def backlog(self) -> Backlog | None:
        """Return what is due, or None where the database does not say."""
        try:
            return (await self.found()).backlog
        except (OSError, SQLAlchemyError):  # a time-out among them
            return None

    async def _ask(self) -> Found:
        try:
            async with asyncio.timeout(self._seconds), self._database.read(SERVICE) as tx:
                lacking = await migrate.lacking(tx, self._known)
                return Found(lacking) if lacking else Found((), await _backlog(tx))
        except migrate.OutgrownError:
            return Found((), outgrown=True)
        except DBAPIError as error:
            if not migrate.never_migrated(error):
                raise
            return Found(self._known)


async def _backlog(tx: ReadTransaction) -> Backlog:
    now = datetime.now(UTC)
    lag = await delivery_claims.lag(tx, now)
    runs = await quote_run_claims.lag(tx, now)
    return Backlog(
        count=lag.count, seconds=_seconds(lag.oldest, now), runs=runs, run_seconds=_seconds(runs.oldest, now)
    )


def _seconds(since: datetime | None, now: datetime) -> float:
    return max((now - since).total_seconds(), 0.0) if since else 0.0


def _look_at(task: asyncio.Task[Found]) -> None:
    """Take note of an error that comes when nobody waits for it any more, which asyncio would complain of."""
    if not task.cancelled():
        task.exception()
