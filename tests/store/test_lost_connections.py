"""A connection to PostgreSQL that is lost while a statement runs is an outage, and no failure of the service's own."""

import asyncio
import itertools

import pytest
from sqlalchemy import make_url, text
from sqlalchemy.exc import DBAPIError

from cotterline.api.problems import refusal_of
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE
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
