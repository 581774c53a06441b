"""The worker: claims what is due, posts it, records what came of it; never with a transaction open while it posts."""

import asyncio
import functools
import secrets
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Final, NoReturn, TypeVar
from uuid import UUID, uuid4

import structlog
from sqlalchemy.exc import SQLAlchemyError

from cotterline.bench.errors import CotterlineError
from cotterline.delivery import outgoing, recording
from cotterline.delivery.outgoing import Unsendable
from cotterline.delivery.post import Post, Poster
from cotterline.delivery.recording import Tried
from cotterline.delivery.schedule import LONGEST_WAIT, Answer, Outcome, Trouble
from cotterline.store import delivery_claims, receivers
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database
from cotterline.store.deliveries import CHANNEL, DeliveryKind
from cotterline.store.delivery_claims import Claimed, Lease
from cotterline.store.tenancy import SERVICE
from cotterline.store.wakeups import Wakeups

SLOTS: Final = 16
"""How many posts one worker has under way."""

LEASE: Final = timedelta(seconds=60)
"""How long a claim holds: twice the longest time a post may take. What a killed worker was at waits as long."""

POLL_SECONDS: Final = 1.0
"""How often a worker looks by itself, for tries whose time has come and announcements it did not hear."""

MEND_SECONDS: Final = 60.0
"""How often what a clock set back keeps waiting is looked for."""

AGAIN_SECONDS: Final = 0.5
"""How long after the database failed it is tried again."""

GRACE_SECONDS: Final = 25.0
"""How long posts under way may take to finish once the worker was told to stop."""

Clock = Callable[[], datetime]
Count = Callable[[DeliveryKind, Outcome], None]
Found = TypeVar("Found")

_CHANCE: Final = secrets.SystemRandom()

log = structlog.get_logger("cotterline.worker")


def _now() -> datetime:
    return datetime.now(UTC)


def uncounted(_kind: DeliveryKind, _outcome: Outcome) -> None:
    """Count nothing."""


class Worker:
    """Posts what is due, over every shop, as one of any number of workers on the same database."""

    def __init__(  # noqa: PLR0913 - what it works with, each by name
        self,
        database: Database,
        cipher: Cipher,
        poster: Poster,
        *,
        clock: Clock = _now,
        chance: Callable[[], float] = _CHANCE.random,
        count: Count = uncounted,
        lease: timedelta = LEASE,
    ) -> None:
        """Set what it works with.

        Args:
            database: where the outbox is.
            cipher: opens the secrets of receivers.
            poster: sends.
            clock: tells the present instant.
            chance: evenly from 0 up to 1.
            count: is told what became of each try.
            lease: how long a claim holds; more than any post may take.
        """
        self._database = database
        self._cipher = cipher
        self._poster = poster
        self._clock = clock
        self._chance = chance
        self._count = count
        self._lease = lease
        self._wakeups = Wakeups(database, CHANNEL)
        self._under_way: dict[UUID, asyncio.Task[None]] = {}
        self._stopping = False
        self._in_the_dark = False

    async def run(self) -> None:
        """Post what is due until told to stop, then finish what is under way."""
        listening = asyncio.create_task(self._wakeups.listen())
        mending = asyncio.create_task(self._mend_always())
        try:
            while not self._stopping:
                self._wakeups.forget()
                if not await self._claim():
                    await self._wakeups.wait(POLL_SECONDS)
        finally:
            for task in (listening, mending):
                task.cancel()
            await asyncio.wait([listening, mending])
            await self._finish()

    def stop(self) -> None:
        """Have :meth:`run` claim nothing more and come to an end."""
        self._stopping = True
        self._wakeups.wake()

    async def run_due(self) -> int:
        """Post everything that is due by the clock, and return how many posts that took."""
        posts = 0
        while claimed := await self._claim():
            posts += claimed
            await asyncio.wait(self._under_way.values())
        return posts

    async def _claim(self) -> int:
        """Claim as much as there is room for and set about it; return how much that was."""
        room = SLOTS - len(self._under_way)
        if not room:
            return 0
        now = self._clock()
        lease = Lease(token=uuid4(), now=now, until=now + self._lease)
        try:
            async with self._database.write(SERVICE) as tx:
                claimed = await delivery_claims.claim(tx, lease, room, self._under_way)
        except (SQLAlchemyError, OSError) as error:
            if not self._in_the_dark:
                log.warning("the outbox cannot be read", error=type(error).__qualname__)
            self._in_the_dark = True
            return 0
        self._in_the_dark = False
        deadline = asyncio.get_running_loop().time() + self._lease.total_seconds()
        for one in claimed:
            self._under_way[one.id] = task = asyncio.create_task(self._deliver(one, deadline))
            task.add_done_callback(functools.partial(self._done, one))
        return len(claimed)

    def _done(self, claimed: Claimed, task: asyncio.Task[None]) -> None:
        """Make room. An error of our own costs this try and nothing else: the lease runs out by itself."""
        del self._under_way[claimed.id]
        self._wakeups.wake()
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("a delivery could not be dealt with", delivery=str(claimed.id), exc_info=error)

    async def _deliver(self, claimed: Claimed, deadline: float) -> None:
        """See one delivery through; while the database is away wait for it, and post nothing twice for that."""
        started = self._clock()
        what = await until(deadline, lambda: self._prepared(claimed, started))
        if self._stopping and isinstance(what, Post):
            await until(deadline, lambda: self._give_back(claimed))
            return
        came = await self._poster.post(what) if isinstance(what, Post) else what
        if isinstance(came, Answer | Trouble):
            tried = Tried(came=came, started_at=started, ended_at=self._clock(), chance=self._chance())
            outcome = await until(deadline, lambda: self._record(claimed, tried))
            if outcome is not None:
                self._count(claimed.kind, outcome)
        elif came is not None:
            await until(deadline, lambda: self._set_aside(claimed, started))

    async def _prepared(self, claimed: Claimed, now: datetime) -> Post | Trouble | Unsendable:
        async with self._database.read(claimed.tenant) as tx:
            return await outgoing.prepared(tx, self._cipher, claimed, now)

    async def _record(self, claimed: Claimed, tried: Tried) -> Outcome | None:
        """Record a try; a reply in the answer that cannot be taken in must not undo that the order arrived."""
        try:
            return await self._record_once(claimed, tried, heed_reply=True)
        except CotterlineError as error:
            log.warning("a reply in an answer was not taken in", delivery=str(claimed.id), code=error.code)
            return await self._record_once(claimed, tried, heed_reply=False)

    async def _record_once(self, claimed: Claimed, tried: Tried, *, heed_reply: bool) -> Outcome | None:
        async with self._database.write(claimed.tenant) as tx:
            return await recording.record(tx, claimed, tried, heed_reply=heed_reply)

    async def _set_aside(self, claimed: Claimed, now: datetime) -> None:
        async with self._database.write(claimed.tenant) as tx:
            receiver = await receivers.hold(tx, claimed.receiver_kind, claimed.receiver_name)
            if receiver is None:
                await delivery_claims.finish(tx, claimed, "cancelled", now)
            elif receiver.disabled_at is not None:
                await delivery_claims.hold(tx, claimed)
            else:  # it was enabled meanwhile
                await delivery_claims.give_back(tx, claimed)

    async def _give_back(self, claimed: Claimed) -> None:
        async with self._database.write(claimed.tenant) as tx:
            await delivery_claims.give_back(tx, claimed)

    async def _mend_always(self) -> NoReturn:
        """Look now and then for what only a clock that was set back keeps waiting."""
        while True:
            try:
                moved = await self._mend()
            except (SQLAlchemyError, OSError) as error:
                log.warning("the outbox was not looked through", error=type(error).__qualname__)
            else:
                if moved:
                    log.warning("deliveries waited for a clock that was set back", count=moved)
                    self._wakeups.wake()
            await asyncio.sleep(MEND_SECONDS)

    async def _mend(self) -> int:
        async with self._database.write(SERVICE) as tx:
            return await delivery_claims.mend(tx, self._clock(), LONGEST_WAIT, self._lease)

    async def _finish(self) -> None:
        """Let posts under way come to an end. One cut off here may have arrived, so its lease is left to run out."""
        if self._under_way:
            _, late = await asyncio.wait(self._under_way.values(), timeout=GRACE_SECONDS)
            for task in late:
                task.cancel()
            await asyncio.gather(*late, return_exceptions=True)


async def until(deadline: float, work: Callable[[], Awaitable[Found]]) -> Found | None:
    """Do what a database must take part in, again while it does not, until the deadline; None where it never did.

    Args:
        deadline: by the clock of the running loop.
        work: what to do, in a transaction of its own.
    """
    loop = asyncio.get_running_loop()
    while True:
        try:
            return await work()
        except (SQLAlchemyError, OSError) as error:
            log.warning("the database is away", error=type(error).__qualname__)
            if loop.time() + AGAIN_SECONDS >= deadline:
                return None
        await asyncio.sleep(AGAIN_SECONDS)
