"""A worker by the test's clock, and somebody at the other end of the wire."""

from collections.abc import AsyncIterator

import pytest

from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.store.database import Database
from tests.delivery.outbox import LOOPBACK, Clock, Receiving, at_work, receiving


@pytest.fixture
async def depot() -> AsyncIterator[Receiving]:
    """Run a receiver on this machine."""
    async with receiving() as depot:
        yield depot


@pytest.fixture
async def poster() -> AsyncIterator[Poster]:
    """Send to this machine."""
    async with Poster(LOOPBACK) as poster:
        yield poster


@pytest.fixture
def clock() -> Clock:
    """Give a clock at noon."""
    return Clock()


@pytest.fixture
def worker(database: Database, poster: Poster, clock: Clock) -> Worker:
    """Work by the test's clock, with waits neither stretched nor cut."""
    return at_work(database, poster, clock)
