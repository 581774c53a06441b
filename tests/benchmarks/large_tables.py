"""What a claim of the outbox and a search of quotes cost on PostgreSQL, by how many rows there are besides.

The ratio is of times of the same call on the same database, before and after the rows were added.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Final

import asyncpg  # type: ignore[import-untyped] # comes without types
from sqlalchemy import make_url
from uuid_utils.compat import uuid7

from cotterline.delivery.outbox_worker import SLOTS
from cotterline.store import quotes
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.delivery_claims import AT_ONCE, Lease, claim
from cotterline.store.tenancy import SERVICE
from tests.benchmarks.figures import Figure, Outcome, told_time
from tests.benchmarks.grounds import Grounds, Place, Size
from tests.delivery.outbox import enqueue, event

CLAIM_MOST: Final = 1.2
SEARCH_MOST: Final = 1.5
FEW: Final = 1_000
"""Quotes of a small shop."""

CALLS: Final = 40
"""Of each kind in a round."""

PAGE: Final = 20
WAITING: Final = 4 * SLOTS
BURST: Final = 4_000
"""Posts that become due at once, as after a receiver was enabled again."""

BEGAN: Final = datetime(2024, 1, 1, tzinfo=UTC)

FINISHED: Final = """
INSERT INTO deliveries (id, shop_id, mode, receiver_kind, receiver_name, kind, subject_id, message_id, state,
  created_at, due_at, attempts, round_began_after, finished_at, content_type, body)
SELECT ('00000000-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, '{shop}', 'live', 'subscription',
  'till ' || n % 50, 'event', ('00000000-0000-7000-9000-' || lpad(to_hex(n), 12, '0'))::uuid, 'evt_' || n, 'delivered',
  at, at, 1, 0, at, 'application/json', '\\x7b7d'
FROM (SELECT n, timestamptz '2024-01-01' + n * interval '1 second' AS at FROM generate_series({first}, {last}) n) made
"""
QUOTES: Final = """
INSERT INTO quotes (id, shop_id, mode, created_at, state, version, revision, expires_at, reference, metadata,
  verdict_state, core_version)
SELECT ('00000000-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, '{shop}', 'live',
  timestamptz '2024-01-01' + n * interval '1 second',
  (ARRAY['draft', 'issued', 'approved', 'closed', 'closed', 'expired'])[n % 6 + 1], 1, 1,
  CASE WHEN n % 6 = 1 THEN timestamptz '2024-02-01' + n * interval '1 second' END, 'stand ' || n / 3, '\\x7b7d',
  'fit_to_order', '0.1.0'
FROM generate_series({first}, {last}) n
"""

SEARCHES: Final[Mapping[str, dict[str, str]]] = {
    "first page": {},
    "page of one reference": {"reference": "stand 100"},
    "page of one state": {"state": "approved"},
    "page of expired ones": {"state": "expired"},
}


class _Undone(Exception):  # noqa: N818 - no error: it takes a claim back
    """Ends a transaction without a trace."""


def measure(grounds: Grounds, size: Size) -> Outcome:
    """Measure claims, then searches, each in a database of its own."""
    figures: list[Figure] = []
    for work in (_claims, _searches):
        place = grounds.place("PostgreSQL")
        figures += asyncio.run(work(grounds, place, size))
        grounds.server.drop(place.url)
    return Outcome(tuple(figures))


async def _claims(grounds: Grounds, place: Place, size: Size) -> list[Figure]:
    figures = []
    async with opened(place) as database:
        await _enqueue(database, place, WAITING)
        await as_admin(grounds, place, "VACUUM ANALYZE deliveries")
        empty = await _least(partial(_claimed, database), size.rounds)
        first = 1
        for rows in size.rows:
            fill = FINISHED.format(shop=place.shop.tenant.shop, first=first, last=rows)
            await as_admin(grounds, place, fill, "VACUUM ANALYZE deliveries")
            first = rows + 1
            found = await _least(partial(_claimed, database), size.rounds)
            beside = f"{told_time(empty)}, none behind"
            what = f"claim, {rows:,} finished behind"
            figures.append(Figure(what, told_time(found), beside, found / empty, most=CLAIM_MOST))
        await _enqueue(database, place, BURST)  # and nobody has told the planner
        found = await _least(partial(_claimed, database), size.rounds)
        figures.append(Figure(f"claim, {BURST:,} came at once", told_time(found)))
    return figures


async def _enqueue(database: Database, place: Place, count: int) -> None:
    names = [f"till {number}" for number in range(SLOTS // AT_ONCE)]
    now = datetime.now(UTC)
    due = (event(names[number % len(names)], now) for number in range(count))
    await enqueue(database, place.shop.tenant, *due)


async def _searches(grounds: Grounds, place: Place, size: Size) -> list[Figure]:
    figures, few = [], dict[str, float]()
    first = 1
    async with opened(place) as database:
        for rows in (FEW, *size.rows):
            fill = QUOTES.format(shop=place.shop.tenant.shop, first=first, last=rows)
            await as_admin(grounds, place, fill, "VACUUM ANALYZE quotes")
            first = rows + 1
            for name, search in _asked(rows).items():
                found = await _least(partial(_searched, database, place, search), size.rounds)
                small = few.setdefault(name, found)
                if rows > FEW:
                    beside = f"{told_time(small)} of {FEW:,}"
                    what = f"{name} of {rows:,} quotes"
                    figures.append(Figure(what, told_time(found), beside, found / small, most=SEARCH_MOST))
    return figures


Search = tuple[quotes.QuoteSearch, Cursor | None]


def _asked(rows: int) -> dict[str, Search]:
    """What is looked for, by name; the last starts in the middle of all there is."""
    now = BEGAN + timedelta(days=10_000)
    asked: dict[str, Search] = {
        name: (quotes.QuoteSearch(now=now, **search), None)  # type: ignore[arg-type] # states by name
        for name, search in SEARCHES.items()
    }
    middle = Cursor(BEGAN + timedelta(seconds=rows // 2), uuid7())
    return asked | {"page in the middle": (quotes.QuoteSearch(now=now), middle)}


async def _least(call: Callable[[], Awaitable[float]], rounds: int) -> float:
    """The least that a call took, of many: whoever is disturbed only takes longer."""
    await call()  # plans are made and pages are read
    return min([await call() for _ in range(CALLS * rounds)])


async def _claimed(database: Database) -> float:
    now = datetime.now(UTC)
    lease = Lease(token=uuid7(), now=now, until=now + timedelta(minutes=1))
    taken = 0.0

    async def timed(tx: WriteTransaction) -> None:
        nonlocal taken
        began = time.perf_counter()
        rows = await claim(tx, lease, SLOTS)
        taken = time.perf_counter() - began
        assert len(rows) == SLOTS
        raise _Undone

    with suppress(_Undone):
        async with database.write(SERVICE) as tx:
            await timed(tx)
    return taken


async def _searched(database: Database, place: Place, search: Search) -> float:
    async with database.read(place.shop.tenant) as tx:
        began = time.perf_counter()
        found = await quotes.page(tx, *search, PAGE)
        taken = time.perf_counter() - began
    assert found.quotes
    return taken


@asynccontextmanager
async def opened(place: Place) -> AsyncIterator[Database]:
    """Open a place's database while the block runs."""
    database = await Database.open(place.url)
    yield database
    await database.close()


async def as_admin(grounds: Grounds, place: Place, *statements: str) -> None:
    """Run statements past the walls between shops, each by itself."""
    address = make_url(grounds.server.admin_url).set(database=make_url(place.url).database)
    connection = await asyncpg.connect(address.render_as_string(hide_password=False))
    for statement in statements:
        await connection.execute(statement)
    await connection.close()
