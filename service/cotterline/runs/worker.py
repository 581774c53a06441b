"""The worker of runs: claims a part, works it through in a thread, keeps its answers; never with a transaction open."""

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final
from uuid import UUID, uuid4

import msgspec
import structlog
from prometheus_client import CollectorRegistry
from sqlalchemy.exc import SQLAlchemyError

from cotterline.api.problems import Call, log_failure, refusal_of
from cotterline.api.quote_run_metrics import PartWatch, QuoteRunMetrics
from cotterline.delivery.outbox_worker import until
from cotterline.delivery.quote_run_changes import At, end_part
from cotterline.runs.part import RunBench, StoppedError, answered
from cotterline.store import quote_run_claims, quote_run_inputs
from cotterline.store.database import Database
from cotterline.store.delivery_claims import Lease
from cotterline.store.quote_run_claims import Answered, ClaimedPart, WaitingRun
from cotterline.store.quote_runs import WORK, QuoteRunRow
from cotterline.store.tenancy import SERVICE, Tenant
from cotterline.store.wakeups import Wakeups

LEASE: Final = timedelta(seconds=60)
"""How long a claim holds, made longer while the work goes on. What a killed worker was at waits as long."""

LONGEST: Final = timedelta(minutes=20)
"""How long a part may take: by then a claim is made longer no more."""

TRIES: Final = 5
"""How often a part is claimed to be quoted; whoever claims it after that refuses what is in it."""

POLL_SECONDS: Final = 1.0
"""How often a worker looks by itself, for leases that ran out and announcements it did not hear."""

BENCHES: Final = 8
"""Runs whose workshop a worker keeps at hand."""

Clock = Callable[[], datetime]

log = structlog.get_logger("cotterline.runs")


def _now() -> datetime:
    return datetime.now(UTC)


class RunWorker:
    """Quotes the bicycles of runs, over every shop, as one of any number of workers on the same database.

    Args:
        database: where runs are.
        kept: how long the answers of a run are kept once it is finished.
        clock: tells the present instant.
        lease: how long a claim holds unless it is made longer.
        metrics: counts; nobody reads them where none are given.
    """

    def __init__(
        self,
        database: Database,
        kept: timedelta,
        *,
        clock: Clock = _now,
        lease: timedelta = LEASE,
        metrics: QuoteRunMetrics | None = None,
    ) -> None:
        self._database = database
        self._metrics = metrics or QuoteRunMetrics(CollectorRegistry())
        self._kept = kept
        self._clock = clock
        self._lease = lease
        self._wakeups = Wakeups(database, WORK)
        self._benches: OrderedDict[UUID, RunBench] = OrderedDict()
        self._served: dict[Tenant | UUID, int] = {}
        self._parts = 0
        self._stopping = False
        self._in_the_dark = False

    async def run(self) -> None:
        """Work on what is waiting until told to stop; the part under way is given back then."""
        listening = asyncio.create_task(self._wakeups.listen())
        try:
            while not self._stopping:
                self._wakeups.forget()
                if not await self.work_once():
                    await self._wakeups.wait(POLL_SECONDS)
        finally:
            listening.cancel()
            await asyncio.wait([listening])

    def stop(self) -> None:
        """Have :meth:`run` leave the bicycles it is at, claim nothing more and come to an end."""
        self._stopping = True
        self._wakeups.wake()

    async def work_once(self) -> bool:
        """Work one part through, if one is waiting; tell whether there was one."""
        claimed = await self._claim()
        if claimed is None:
            return False
        try:
            with self._metrics.watch() as watch:
                await self._see_through(claimed, watch)
        except (SQLAlchemyError, OSError) as error:
            log.warning("a part waits for its lease to run out", **_named(claimed), error=type(error).__qualname__)
        except Exception as error:  # noqa: BLE001 - it costs this try and nothing else
            log_failure(error, refusal_of(error), Call(str(claimed.run.id), ""))
        return True

    async def _claim(self) -> ClaimedPart | None:
        """Claim a part of the run whose turn it is: of the shop that was served the longest ago."""
        now = self._clock()
        lease = Lease(token=uuid4(), now=now, until=now + self._lease)
        try:
            for run in self._in_turn(await self._waiting(lease)):
                if claimed := await self._claim_of(run, lease):
                    self._parts += 1
                    self._served[run.tenant] = self._served[run.id] = self._parts
                    return claimed
        except (SQLAlchemyError, OSError) as error:
            if not self._in_the_dark:
                log.warning("runs cannot be read", error=type(error).__qualname__)
            self._in_the_dark = True
            return None
        self._in_the_dark = False
        return None

    def _in_turn(self, waiting: Sequence[WaitingRun]) -> Sequence[WaitingRun]:
        there = {key for run in waiting for key in (run.tenant, run.id)}
        self._served = {key: when for key, when in self._served.items() if key in there}
        served = self._served.get
        return sorted(waiting, key=lambda run: (served(run.tenant, 0), served(run.id, 0), run.id))

    async def _waiting(self, lease: Lease) -> Sequence[WaitingRun]:
        async with self._database.read(SERVICE) as tx:
            return await quote_run_claims.waiting(tx, lease)

    async def _claim_of(self, run: WaitingRun, lease: Lease) -> ClaimedPart | None:
        async with self._database.write(SERVICE) as tx:
            return await quote_run_claims.claim(tx, run, lease)

    async def _see_through(self, claimed: ClaimedPart, watch: PartWatch) -> None:
        bench = await self._bench(claimed)
        if bench is None:
            return  # the run was cancelled and removed meanwhile
        if claimed.attempts > TRIES:
            log.error("a part is given up", **_named(claimed), attempts=claimed.attempts)
            bench = msgspec.structs.replace(bench, workshop=None)
        try:
            found = await self._work(claimed, bench)
        except StoppedError:
            await self._give_back(claimed)
            return
        # As long as the database is away nothing else could be done either, and the work would be lost.
        if await until(float("inf"), lambda: self._end(claimed, found)):
            watch.kept(found.quoted, found.refused)

    async def _work(self, claimed: ClaimedPart, bench: RunBench) -> Answered:
        """Work a part through beside the loop, and keep its claim while that lasts."""
        held = True
        most = self._clock() + LONGEST
        working = asyncio.create_task(asyncio.to_thread(answered, claimed, bench, lambda: held and not self._stopping))
        while not (await asyncio.wait([working], timeout=self._lease.total_seconds() / 3))[0]:
            if self._clock() < most:
                held = await self._prolong(claimed)
        return await working

    async def _bench(self, claimed: ClaimedPart) -> RunBench | None:
        """What the run is worked with, read once; runs worked on the longest ago are forgotten."""
        run = claimed.run
        if run.id not in self._benches:
            async with self._database.read(run.tenant) as tx:
                inputs = await quote_run_inputs.get(tx, run.id)
            if inputs is None:
                return None
            call = Call(str(run.id), inputs.base_url)
            self._benches[run.id] = RunBench(heading=inputs.heading, workshop=inputs.workshop, call=call)
        self._benches.move_to_end(run.id)
        while len(self._benches) > BENCHES:
            self._benches.popitem(last=False)
        return self._benches[run.id]

    async def _prolong(self, claimed: ClaimedPart) -> bool:
        """Keep the claim; tell whether it still stands, as far as the database says."""
        try:
            async with self._database.write(claimed.run.tenant) as tx:
                return await quote_run_claims.prolong(tx, claimed, self._clock() + self._lease)
        except (SQLAlchemyError, OSError) as error:
            log.warning("a claim was not made longer", **_named(claimed), error=type(error).__qualname__)
            return True

    async def _give_back(self, claimed: ClaimedPart) -> None:
        async with self._database.write(claimed.run.tenant) as tx:
            await quote_run_claims.give_back(tx, claimed)

    async def _end(self, claimed: ClaimedPart, found: Answered) -> QuoteRunRow | None:
        async with self._database.write(claimed.run.tenant) as tx:
            return await end_part(tx, claimed, found, At(self._clock(), self._kept))


def _named(claimed: ClaimedPart) -> dict[str, object]:
    return {"run": str(claimed.run.id), "part": claimed.number}
