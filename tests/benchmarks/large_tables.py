"""What a claim of the outbox and a search of quotes cost on PostgreSQL, by how many rows there are besides.

The ratio is of times of the same call on two databases of one server, one of them small, by turns.
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
    """Measure claims, then searches, each in a database of its own, beside one that stays small."""
    figures: list[Figure] = []
    for work in (_claims, _searches):
        large, small = grounds.place("PostgreSQL"), grounds.place("PostgreSQL")
        figures += asyncio.run(work(grounds, large, small, size))
        for place in (large, small):
            grounds.server.drop(place.url)
    return Outcome(tuple(figures))


async def _claims(grounds: Grounds, large: Place, small: Place, size: Size) -> list[Figure]:
    figures = []
    async with opened(large) as database, opened(small) as empty:
        for each, place in ((database, large), (empty, small)):
            await _enqueue(each, place, WAITING)
        await as_admin(grounds, small, "VACUUM ANALYZE deliveries")
        first = 1
        for rows in size.rows:
            fill = FINISHED.format(shop=large.shop.tenant.shop, first=first, last=rows)
            await as_admin(grounds, large, fill, "VACUUM ANALYZE deliveries")
            first = rows + 1
            found, beside = await _least(partial(_claimed, database), partial(_claimed, empty), size.rounds)
            what, none = f"claim, {rows:,} finished behind", f"{told_time(beside)}, none behind"
            figures.append(Figure(what, told_time(found), none, found / beside, most=CLAIM_MOST))
        await _enqueue(database, large, BURST)  # and nobody has told the planner
        found, _ = await _least(partial(_claimed, database), partial(_claimed, empty), size.rounds)
        figures.append(Figure(f"claim, {BURST:,} came at once", told_time(found)))
    return figures


async def _enqueue(database: Database, place: Place, count: int) -> None:
    names = [f"till {number}" for number in range(SLOTS // AT_ONCE)]
    now = datetime.now(UTC)
    due = (event(names[number % len(names)], now) for number in range(count))
    await enqueue(database, place.shop.tenant, *due)


async def _searches(grounds: Grounds, large: Place, small: Place, size: Size) -> list[Figure]:
    figures = []
    first = 1
    async with opened(large) as database, opened(small) as few:
        fill = QUOTES.format(shop=small.shop.tenant.shop, first=1, last=FEW)
        await as_admin(grounds, small, fill, "VACUUM ANALYZE quotes")
        beside = _asked(FEW)
        for rows in size.rows:
            fill = QUOTES.format(shop=large.shop.tenant.shop, first=first, last=rows)
            await as_admin(grounds, large, fill, "VACUUM ANALYZE quotes")
            first = rows + 1
            for name, search in _asked(rows).items():
                found, least = await _least(
                    partial(_searched, database, large, search),
                    partial(_searched, few, small, beside[name]),
                    size.rounds,
                )
                what, of_few = f"{name} of {rows:,} quotes", f"{told_time(least)} of {FEW:,}"
                figures.append(Figure(what, told_time(found), of_few, found / least, most=SEARCH_MOST))
    return figures


Search = tuple[quotes.QuoteSearch, Cursor | None]
Times = tuple[float, float]


def _asked(rows: int) -> dict[str, Search]:
    """What is looked for, by name; the last starts in the middle of all there is."""
    now = BEGAN + timedelta(days=10_000)
    asked: dict[str, Search] = {
        name: (quotes.QuoteSearch(now=now, **search), None)  # type: ignore[arg-type] # states by name
        for name, search in SEARCHES.items()
    }
    middle = Cursor(BEGAN + timedelta(seconds=rows // 2), uuid7())
    return asked | {"page in the middle": (quotes.QuoteSearch(now=now), middle)}


async def _least(call: Callable[[], Awaitable[float]], beside: Callable[[], Awaitable[float]], rounds: int) -> Times:
    """The least that a call took, and another by turns with it, of many: whoever is disturbed only takes longer."""
    await call()  # plans are made and pages are read
    await beside()
    took = [(await call(), await beside()) for _ in range(CALLS * rounds)]
    return min(each for each, _ in took), min(each for _, each in took)


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
