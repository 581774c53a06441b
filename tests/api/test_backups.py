"""What a shop made of everything comes through a backup to either database, row for row, and the service goes on."""

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
import pytest
from litestar.testing import TestClient
from sqlalchemy import Column, insert, make_url, select, text
from sqlalchemy.ext.asyncio import AsyncConnection, create_async_engine
from uuid_utils.compat import uuid7

from cotterline.store import backups, migrate, shops
from cotterline.store.address import driver_url
from cotterline.store.backups import BackupError, Filled
from cotterline.store.database import Database
from cotterline.store.tables import metadata
from cotterline.store.tenancy import SERVICE, Tenant
from tests.api.calls import operations
from tests.api.conftest import Furnished, service, settings
from tests.conftest import Databases
from tests.postgres import Server
from tests.shops import Shop

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
WHY = "compare first"
READING = [operation for operation in operations() if operation.scope and operation.method == "GET"]
TIMED = {"/v1/key", "/v1/quote-runs/{run_id}/progress"}
"""What they answer tells the time of the call, or goes on until there is nothing to tell."""

FERRY = "Ferry house"
ALLOWED = {"mode": "live", "source": "callback", "taper": "jis"}
"""Columns that not every text may stand in."""


@pytest.fixture(params=["sqlite", "postgresql"])
def target(request: pytest.FixtureRequest) -> Iterator[str]:
    """An empty database of each kind."""
    kind: Databases = request.getfixturevalue("sqlite_files" if request.param == "sqlite" else "postgres_server")
    url = kind.create(migrated=False)
    yield url
    kind.drop(url)


async def given(lines: Iterable[bytes]) -> AsyncIterator[bytes]:
    for line in lines:
        yield line


async def read(url: str) -> list[bytes]:
    return [line async for line in backups.lines(url, NOON)]


def fill(url: str, lines: Iterable[bytes], stopped: str = "") -> Filled:
    return asyncio.run(backups.fill(url, given(lines), stopped=stopped, at=NOON))


@asynccontextmanager
async def past_the_walls(url: str, server: Server) -> AsyncIterator[AsyncConnection]:
    address = driver_url(url)
    if address.get_backend_name() == "postgresql":
        address = driver_url(server.admin_url).set(database=make_url(url).database)
    engine = create_async_engine(address)
    async with engine.begin() as connection:
        yield connection
    await engine.dispose()


async def contents(url: str, server: Server) -> Mapping[str, Sequence[tuple[Any, ...]]]:
    """Every row of every table."""
    async with past_the_walls(url, server) as connection:
        found = {
            each.name: [tuple(row) for row in await connection.execute(select(each))] for each in metadata.sorted_tables
        }
    return {name: sorted(rows, key=repr) for name, rows in found.items()}


async def add_what_is_missing(url: str, server: Server) -> None:
    """Put a row into each table that has none."""
    async with past_the_walls(url, server) as connection:
        for each in metadata.sorted_tables:
            if not (await connection.execute(select(each).limit(1))).all():
                row = {column.name: await invented(column, connection) for column in each.c}
                await connection.execute(insert(each).values(row))


async def invented(column: Column[Any], connection: AsyncConnection) -> object:
    """A value that the column may hold."""
    for key in column.foreign_keys:
        return (await connection.execute(select(key.column).limit(1))).scalar()
    if column.name in ALLOWED:
        return ALLOWED[column.name]
    kinds = {UUID: uuid7(), str: "ä 9", int: 2**31 - 1, float: 0.1, bytes: b"\x00\xff", datetime: NOON}
    return kinds[getattr(column.type, "impl", column.type).python_type]


def sealed(lines: Sequence[bytes]) -> list[bytes]:
    """Lines with the end that is right for them."""
    digest = hashlib.sha256(b"".join(lines)).hexdigest()
    rows = sum(line.startswith(b"[") for line in lines)
    return [*lines, msgspec.json.encode({"line": "end", "rows": rows, "sha256": digest}) + b"\n"]


def test_every_row_of_every_table_arrives(furnished: Furnished, target: str, postgres_server: Server) -> None:
    asyncio.run(add_what_is_missing(furnished.url, postgres_server))
    before = asyncio.run(contents(furnished.url, postgres_server))
    assert [name for name, rows in before.items() if not rows] == []
    filled = fill(target, asyncio.run(read(furnished.url)))
    assert asyncio.run(contents(target, postgres_server)) == before
    assert filled.rows == sum(map(len, before.values()))
    assert asyncio.run(migrate.differences(target)) == []


def test_the_service_goes_on_where_it_was(furnished: Furnished, target: str, shop_a: Shop) -> None:
    fill(target, asyncio.run(read(furnished.url)))
    with TestClient(service("moved", settings(target))) as moved:
        for operation in READING:
            if operation.path not in TIMED:
                before = operation.call(furnished.client, furnished.ids, shop_a.headers)
                after = operation.call(moved, furnished.ids, shop_a.headers)
                assert (after.status_code, after.content) == (before.status_code, before.content), operation.name
        told = furnished.client.get("/v1/events?limit=100", headers=shop_a.headers)
        assert "next" not in told.links, "more than a page"
        last = told.json()["events"][-1]["position"]
        quote = furnished.client.get("/v1/quotes?limit=1", headers=shop_a.headers).json()["quotes"][0]["id"]
        body = furnished.client.get(f"/v1/quotes/{quote}", headers=shop_a.headers).json()["request"]
        made = moved.post("/v1/quotes", json=body, headers={**shop_a.headers, "Idempotency-Key": '"after the move"'})
        assert made.status_code == 201, made.text
        (event,) = moved.get(f"/v1/events?after={last}", headers=shop_a.headers).json()["events"]
        assert event["position"] == last + 1


def test_nothing_is_posted_to_anybody_until_the_shop_says_so(
    furnished: Furnished, target: str, postgres_server: Server
) -> None:
    lines = asyncio.run(read(furnished.url))
    before = asyncio.run(contents(furnished.url, postgres_server))["receivers"]
    filled = fill(target, lines, WHY)
    names = [column.name for column in metadata.tables["receivers"].c]
    off, why = names.index("disabled_at"), names.index("disabled_why")
    assert filled.stopped == sum(row[off] is None for row in before) > 0
    after = asyncio.run(contents(target, postgres_server))["receivers"]
    assert {row[off] for row in after} - {row[off] for row in before} == {NOON}
    assert WHY in {row[why] for row in after}
    assert all(row[off] is not None for row in after)


BREAKS: Mapping[str, Callable[[list[bytes]], list[bytes]]] = {
    "a letter is another": lambda lines: [line.replace(b"Lime kiln", b"Lime kilm") for line in lines],
    "a row is missing": lambda lines: [line for line in lines if b"Lime kiln" not in line],
    "the end is missing": lambda lines: lines[:-1],
    "something follows": lambda lines: [*lines, lines[1]],
    "nothing is there": lambda _: [],
    "it is of another form": lambda lines: sealed([lines[0].replace(b"backup 1", b"backup 2"), *lines[1:-1]]),
    "it is of a later version": lambda lines: sealed([lines[0].replace(b'"00', b'"99'), *lines[1:-1]]),
    "a row is of another table": lambda lines: sealed([lines[0], *lines[2:4], b'["x"]\n', *lines[4:-1]]),
    "a column is of no kind": lambda lines: sealed([line.replace(b'"instant"', b'"moment"') for line in lines[:-1]]),
    "two ends are there": sealed,
    "a shop is missing": lambda lines: sealed([line for line in lines[:-1] if b"Lime kiln" not in line]),
}


@pytest.mark.parametrize("broken", BREAKS)
def test_of_a_backup_that_is_not_right_nothing_is_kept(database_url: str, target: str, broken: str) -> None:
    lines = asyncio.run(read(database_url))
    with pytest.raises(BackupError):
        fill(target, BREAKS[broken](lines))
    assert asyncio.run(migrate.current(target)) is None
    assert fill(target, lines).rows > 0


def test_a_backup_is_of_one_moment_and_holds_up_nobody(database_url: str, shop_a: Shop) -> None:
    async def writing_meanwhile() -> tuple[list[bytes], list[bytes]]:
        database = await Database.open(database_url)
        lines: list[bytes] = []
        async for line in backups.lines(database_url, NOON):
            if len(lines) < 8:  # each is committed before the next line is read
                new = Tenant(uuid7(), "live")
                async with database.write(new) as tx:
                    await shops.insert(tx, shops.ShopRow(id=new.shop, name=FERRY, created_at=NOON))
            lines.append(line)
        await database.close()
        return lines, await read(database_url)

    during, after = asyncio.run(writing_meanwhile())
    assert sum(FERRY.encode() in line for line in during) == 0
    assert sum(FERRY.encode() in line for line in after) == 8
    assert any(str(shop_a.tenant.shop).encode() in line for line in during)


def test_a_backup_of_an_earlier_version_is_brought_to_this_one(database_url: str, target: str) -> None:
    head, *lines = asyncio.run(read(database_url))[:-1]
    earlier = migrate.steps()[1]
    at = msgspec.json.decode(head) | {"revision": earlier}
    filled = fill(target, sealed([msgspec.json.encode(at) + b"\n", *lines]))
    assert filled.head.revision == earlier
    assert asyncio.run(migrate.differences(target)) == []
    assert asyncio.run(names(target)) == ["Lime kiln", "Tide mill"]


async def names(url: str) -> list[str]:
    database = await Database.open(url)
    async with database.read(SERVICE) as tx:
        found = [str(row["name"]) for row in await tx.rows(text("SELECT name FROM shops ORDER BY name"))]
    await database.close()
    return found
