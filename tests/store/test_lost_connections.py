"""A connection to PostgreSQL that is lost while a statement runs is an outage, and no failure of the service's own."""

import asyncio
import itertools
import os
from collections import Counter

import pytest
from sqlalchemy import make_url, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from cotterline.api.problems import refusal_of
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE
from tests import postgres
from tests.cutting import Cutting

SHORT = (3_000, 6_000, 10_000, 20_000)
"""Bytes after which connections are cut: some while they are opened, some at work."""


@pytest.mark.parametrize("backend", ["postgresql"])
@pytest.mark.parametrize("allowed", SHORT)
def test_a_connection_cut_at_work_is_an_outage(database_url: str, allowed: int) -> None:
    url = make_url(database_url)
    way = Cutting(f"http://{url.host}:{url.port}", itertools.repeat(allowed, 50))

    async def work() -> Exception:
        port = int(way.address.rpartition(":")[2])
        database = await Database.open(url.set(host="127.0.0.1", port=port).render_as_string(hide_password=False))
        try:
            while True:
                async with database.read(SERVICE) as tx:
                    await tx.rows(text("SELECT repeat('x', 500), pg_sleep(0)"))
        except (OSError, DBAPIError) as error:
            return error
        finally:
            await database.close()

    with way.running():
        try:
            found: Exception = asyncio.run(work())
        except (OSError, DBAPIError) as error:
            found = error
    assert way.cuts
    assert refusal_of(found).code == "unavailable", repr(found)


RESTARTS = 5
AT_ONCE = 20


def test_whatever_a_restart_of_the_database_interrupts_is_an_outage() -> None:
    """In order, at any moment of a statement or of a commit: the driver has several words for that."""
    found: list[Exception] = []

    async def work(database: Database, done: Counter[int], number: int) -> None:
        while True:
            try:
                async with database.write(SERVICE) as tx:
                    await tx.rows(text("SELECT repeat('x', 500), pg_sleep(0)"))
                done[number] += 1
            except (OSError, SQLAlchemyError) as error:
                found.append(error)
                await asyncio.sleep(0.01)

    async def under_load(own: postgres.Started) -> None:
        database = await Database.open(own.url)
        done: Counter[int] = Counter()
        working = [asyncio.create_task(work(database, done, number)) for number in range(AT_ONCE)]
        for _ in range(RESTARTS):
            before = done.total()
            while done.total() < before + AT_ONCE:  # noqa: ASYNC110 - other tasks'
                await asyncio.sleep(0.01)
            await asyncio.to_thread(own.stop)
            own.start()
            assert await asyncio.to_thread(own.is_ready)
        for each in working:
            each.cancel()
        await asyncio.gather(*working, return_exceptions=True)
        await database.close()

    try:
        with postgres.own_server() as own:
            asyncio.run(under_load(own))
    except postgres.UnavailableError as error:
        postgres.give_up(error, os.environ)
    assert found
    assert [repr(error) for error in found if refusal_of(error).code != "unavailable"] == []
