"""What workers and a shop do to a run, done by hand on the database of a service that is asked about it meanwhile."""

import asyncio
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any, TypeVar
from uuid import UUID

from cotterline.bench.quote_run_life import QuoteRunAction
from cotterline.store import keys, quote_run_parts, quote_runs
from cotterline.store.database import Database
from cotterline.store.quote_run_inputs import packed
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tenancy import Tenant
from tests.store import running

Done = TypeVar("Done")


def until(wanted: Callable[[], bool]) -> None:
    """Wait for what comes about soon."""
    deadline = time.monotonic() + 10
    while not wanted():
        assert time.monotonic() < deadline
        time.sleep(0.02)


class RunHand:
    """Works on the runs of one tenant.

    Args:
        url: of the database.
        tenant: whose they are.
    """

    def __init__(self, url: str, tenant: Tenant) -> None:
        self._url, self._tenant = url, tenant

    def made(self, *bicycles: int, last: bool = True, **changed: Any) -> QuoteRunRow:  # noqa: ANN401 -- any member
        """Make a run that took in parts of these numbers of bicycles."""

        async def work(database: Database) -> QuoteRunRow:
            run = await running.made(database, self._tenant, worked_since=datetime.now(UTC), **changed)
            return await self._took(database, run, bicycles, last=last)

        return self._do(work)

    def read(self, run_id: UUID) -> QuoteRunRow:
        """The run as it is kept."""
        return self._do(lambda database: running.get(database, self._tenant, run_id))

    def take_in(self, run: QuoteRunRow, *bicycles: int, last: bool) -> QuoteRunRow:
        """Take in more parts of a run."""
        return self._do(lambda database: self._took(database, run, bicycles, last=last))

    def answer(self, run_id: UUID, *told: bytes) -> None:
        """Work through the parts that wait, from the first on, giving one of these answers to each."""

        async def work(database: Database) -> None:
            for each in told:
                claimed = await running.claim(database, run_id, datetime.now(UTC))
                assert claimed is not None
                assert await running.end(database, claimed, datetime.now(UTC), packed(each))

        self._do(work)

    def answer_the_second_first(self, run_id: UUID, first: bytes, second: bytes) -> None:
        """Work through two parts at once, the second of which is done before the other."""

        async def work(database: Database) -> None:
            claims = [await running.claim(database, run_id, datetime.now(UTC)) for _ in range(2)]
            for claimed, told in zip(reversed(claims), (second, first), strict=True):
                assert claimed is not None
                assert await running.end(database, claimed, datetime.now(UTC), packed(told))
                await asyncio.sleep(0.3)

        self._do(work)

    def act(self, run_id: UUID, action: QuoteRunAction) -> None:
        """Pause, resume or cancel a run."""
        self._do(lambda database: running.act(database, self._tenant, run_id, action, datetime.now(UTC)))

    def remove(self, run_id: UUID, *, noted: bool) -> None:
        """Remove what is kept of a run's parts, as the sweep does, which notes it last."""

        async def work(database: Database) -> None:
            async with database.write(self._tenant) as tx:
                await quote_run_parts.remove(tx, run_id, 1000)
                if noted:
                    assert await quote_runs.note_removal(tx, run_id, datetime.now(UTC))

        self._do(work)

    def revoke(self, key: str) -> None:
        """Revoke a key."""
        key_id = UUID(key.split("_")[2])

        async def work(database: Database) -> None:
            async with database.write(self._tenant) as tx:
                assert await keys.revoke(tx, key_id, now=datetime.now(UTC), actor="till")

        self._do(work)

    async def _took(
        self, database: Database, run: QuoteRunRow, bicycles: tuple[int, ...], *, last: bool
    ) -> QuoteRunRow:
        piece = running.intake(*bicycles, last=last)
        taken = await running.take_in(database, self._tenant, run.id, piece, run.received_bytes)
        assert taken is not None
        return taken

    def _do(self, work: Callable[[Database], Awaitable[Done]]) -> Done:
        async def on_a_connection_of_its_own() -> Done:
            database = await Database.open(self._url)
            try:
                return await work(database)
            finally:
                await database.close()

        return asyncio.run(on_a_connection_of_its_own())
