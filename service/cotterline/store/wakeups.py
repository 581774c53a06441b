"""Waiting until a transaction announces something: heard from the database, or in this process alone on SQLite."""

import asyncio
import contextlib
from typing import Final, NoReturn

import structlog
from asyncpg.exceptions import InterfaceError, PostgresError  # type: ignore[import-untyped] # without types

from cotterline.store import engines
from cotterline.store.database import Database

AGAIN_SECONDS: Final = 1.0
"""How long after a lost connection another is tried."""

PROBE_SECONDS: Final = 30.0
"""How often the connection is asked whether it is still there: one cut without a word says nothing by itself."""

log = structlog.get_logger("cotterline.wakeups")


class Wakeups:
    """What was announced on one channel since it was last asked.

    On PostgreSQL every process hears what any commits, through a connection of its own (PostgreSQL 18 documentation,
    LISTEN). What is announced while that is lost goes unheard, so whoever waits must look by itself now and then.
    """

    def __init__(self, database: Database, channel: str) -> None:
        self._database = database
        self._channel = channel
        self._heard = database.heard(channel)

    def wake(self) -> None:
        """End the wait that is under way, or the next."""
        self._heard.set()

    def forget(self) -> None:
        """Wait for what is announced from here on."""
        self._heard.clear()

    async def wait(self, seconds: float) -> None:
        """Return once something was announced since :meth:`forget`, or after so many seconds."""
        await _set_within(self._heard, seconds)

    async def listen(self) -> NoReturn:
        """Listen until cancelled, and begin anew wherever the connection is lost."""
        while self._database.address.get_backend_name() != "postgresql":
            await asyncio.Event().wait()  # this process hears itself, and there is no other
        while True:
            try:
                await self._listen_once()
            except (PostgresError, InterfaceError, OSError) as error:
                log.warning("announcements are not heard", channel=self._channel, error=type(error).__qualname__)
            await asyncio.sleep(AGAIN_SECONDS)

    async def _listen_once(self) -> None:
        connection = await engines.listener(self._database.address)
        try:
            lost = asyncio.Event()
            connection.add_termination_listener(lambda _: lost.set())
            await connection.add_listener(self._channel, self._hear)
            self.wake()  # something may have been announced before
            while not await _set_within(lost, PROBE_SECONDS):
                await connection.execute("SELECT 1", timeout=PROBE_SECONDS)
        finally:
            connection.terminate()

    def _hear(self, *_: object) -> None:
        self.wake()


async def _set_within(event: asyncio.Event, seconds: float) -> bool:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(event.wait(), seconds)
    return event.is_set()
