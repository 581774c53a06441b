"""Whether the database answers and has the tables of this version, asked with a time limit."""

import asyncio
from typing import Final

from sqlalchemy.exc import DBAPIError

from cotterline.store import migrate
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE

READY_SECONDS: Final = 2.0
"""How long a database may take to answer; whoever asks gets his answer then, well within a probe's patience."""


class Readiness:
    """Asks the database, one question at a time, for however many probes wait for the answer.

    A database that hangs may hold up even giving up the question, so the probes do not wait for that.
    """

    def __init__(self, database: Database, seconds: float = READY_SECONDS) -> None:
        self._database = database
        self._seconds = seconds
        self._known = migrate.steps()
        self._asking: asyncio.Task[tuple[str, ...]] | None = None

    async def lacking(self) -> tuple[str, ...]:
        """Return the migrations that the database lacks.

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

    async def _ask(self) -> tuple[str, ...]:
        try:
            async with asyncio.timeout(self._seconds), self._database.read(SERVICE) as tx:
                return await migrate.lacking(tx, self._known)
        except DBAPIError as error:
            if not migrate.never_migrated(error):
                raise
            return self._known


def _look_at(task: asyncio.Task[tuple[str, ...]]) -> None:
    """Take note of an error that comes when nobody waits for it any more, which asyncio would complain of."""
    if not task.cancelled():
        task.exception()
