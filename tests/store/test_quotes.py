"""Quotes are kept as they are, changed by who has seen them, searched and paged newest first, on both databases."""

import asyncio
import re
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import event, text
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.store import quotes
from cotterline.store.cursor import Cursor
from cotterline.store.database import Database
from cotterline.store.quotes import QuoteSearch
from cotterline.store.tenancy import ENTER, Tenant, settings

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, 0, 0, 123456, tzinfo=UTC)
ANY = QuoteSearch(now=NOON)


def quote(**changes: object) -> quotes.QuoteRow:
    row = quotes.QuoteRow(
        id=uuid7(),
        created_at=NOON,
        state="draft",
        version=1,
        revision=1,
        expires_at=None,
        reference="green tourer, noisy left side",
        metadata=b'{"b":"1", "a":"2.50"}',
        verdict_state="fit_to_order",
        leading_family="iso_english",
        core_version="0.1.0",
    )
    return msgspec.structs.replace(row, **changes)


async def keep(database: Database, tenant: Tenant, *rows: quotes.QuoteRow) -> None:
    for row in rows:
        async with database.write(tenant) as tx:
            await quotes.insert(tx, row)


async def every_page(database: Database, tenant: Tenant, limit: int, search: QuoteSearch = ANY) -> list[list[UUID]]:
    pages: list[list[UUID]] = []
    after = None
    while True:
        async with database.read(tenant) as tx:
            page = await quotes.page(tx, search, after, limit)
        pages.append([summary.id for summary in page.quotes])
        after = page.following
        if after is None:
            return pages


async def test_a_stored_quote_comes_back_as_it_went_in(database: Database, tenant: Tenant) -> None:
    row = quote(expires_at=NOON, metadata=bytes(range(256)) * 200)
    await keep(database, tenant, row)
    async with database.read(tenant) as tx:
        assert await quotes.get(tx, row.id) == row


async def test_a_quote_may_lack_a_reference_and_a_leading_family(database: Database, tenant: Tenant) -> None:
    row = quote(reference=None, leading_family=None)
    await keep(database, tenant, row)
    async with database.read(tenant) as tx:
        assert await quotes.get(tx, row.id) == row


async def test_an_unknown_id_gives_no_quote(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, quote())
    async with database.read(tenant) as tx:
        assert await quotes.get(tx, uuid7()) is None


async def test_a_time_from_another_zone_is_the_same_instant_in_utc(database: Database, tenant: Tenant) -> None:
    row = quote(created_at=NOON.astimezone(timezone(timedelta(hours=5, minutes=30))))
    await keep(database, tenant, row)
    async with database.read(tenant) as tx:
        found = await quotes.get(tx, row.id)
    assert found is not None
    assert found.created_at == NOON
    assert found.created_at.utcoffset() == timedelta(0)


async def test_pages_run_newest_first_and_show_each_quote_once(database: Database, tenant: Tenant) -> None:
    zones = [timezone(timedelta(hours=hours)) for hours in (-11, 0, 14)]
    rows = [quote(created_at=(NOON + timedelta(minutes=n)).astimezone(zones[n % 3])) for n in (3, 0, 4, 1, 2)]
    await keep(database, tenant, *rows)
    ids = [row.id for row in sorted(rows, key=lambda row: row.created_at, reverse=True)]
    assert await every_page(database, tenant, 2) == [ids[0:2], ids[2:4], ids[4:]]


async def test_quotes_of_the_same_instant_are_told_apart_by_their_id(database: Database, tenant: Tenant) -> None:
    rows = [quote() for _ in range(7)]
    await keep(database, tenant, *rows[3:], *rows[2::-1])
    async with database.write(tenant) as tx:
        await tx.execute(
            text("DROP INDEX ix_quotes_shop_id_mode_created_at_id")
        )  # or the index alone would put them in order
    ids = sorted((row.id for row in rows), reverse=True)
    assert await every_page(database, tenant, 3) == [ids[0:3], ids[3:6], ids[6:]]


async def test_a_page_that_ends_with_the_last_quote_names_no_following_page(database: Database, tenant: Tenant) -> None:
    await keep(database, tenant, quote(), quote())
    assert [len(page) for page in await every_page(database, tenant, 2)] == [2]


async def test_a_quote_added_in_front_does_not_shift_the_pages_behind(database: Database, tenant: Tenant) -> None:
    old = [quote(created_at=NOON + timedelta(seconds=n)) for n in range(3)]
    await keep(database, tenant, *old)
    async with database.read(tenant) as tx:
        first = await quotes.page(tx, ANY, None, 2)
    await keep(database, tenant, quote(created_at=NOON + timedelta(days=1)))
    async with database.read(tenant) as tx:
        second = await quotes.page(tx, ANY, first.following, 2)
    assert [summary.id for summary in second.quotes] == [old[0].id]


SEARCHES = {
    "everything": (ANY, ["ix_quotes_shop_id_mode_created_at_id"]),
    "a reference": (
        QuoteSearch(now=NOON, reference="hook 7"),
        ["ix_quotes_shop_id_mode_reference_created_at_id"],
    ),
    "a state": (QuoteSearch(now=NOON, state="approved"), ["ix_quotes_shop_id_mode_state_created_at_id"]),
    "the expired": (QuoteSearch(now=NOON, state="expired"), ["ix_quotes_shop_id_mode_state_created_at_id"] * 2),
    "a month": (
        QuoteSearch(now=NOON, created_from=NOON - timedelta(days=30), created_to=NOON),
        ["ix_quotes_shop_id_mode_created_at_id"],
    ),
}


@pytest.mark.parametrize("name", SEARCHES)
async def test_a_page_is_read_off_an_index_without_sorting(
    database: Database, tenant: Tenant, backend: str, name: str
) -> None:
    search, indices = SEARCHES[name]
    sent: list[tuple[str, Any]] = []

    @event.listens_for(database._reader.sync_engine, "before_cursor_execute")
    def record(*told: Any) -> None:  # noqa: ANN401 -- as the event passes them: connection, cursor, statement, ...
        sent.append((told[2], told[3]))

    async with database.read(tenant) as tx:
        await quotes.page(tx, search, Cursor(NOON, uuid7()), 20)
    (statement, parameters) = sent[-1]
    async with database._reader.connect() as connection:
        if backend == "postgresql":  # It would rather sort a table as small as this one.
            await connection.execute(ENTER, settings(tenant))
            await connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
            await connection.exec_driver_sql("SET LOCAL enable_bitmapscan = off")
        explain = "EXPLAIN (COSTS OFF) " if backend == "postgresql" else "EXPLAIN QUERY PLAN "
        plan = str((await connection.exec_driver_sql(explain + statement, parameters)).all())
    assert re.findall(r"ix_quotes_\w+", plan) == indices
    assert re.search(r"Index Cond: \(.*ROW\(created_at, id\) <", plan) or re.search(
        r"\(created_at,id\)<|created_at<\?", plan
    )
    if len(indices) == 1:  # two short lists are merged by sorting what is left of both
        assert "Sort" not in plan
        assert "TEMP B-TREE" not in plan


async def found(database: Database, tenant: Tenant, **search: Any) -> list[UUID]:  # noqa: ANN401 -- members of a search
    pages = await every_page(database, tenant, 2, QuoteSearch(**({"now": NOON} | search)))
    return [quote_id for page in pages for quote_id in page]


async def test_quotes_are_found_by_reference_letter_by_letter(database: Database, tenant: Tenant) -> None:
    rows = [quote(reference=words) for words in ("hook 7", "hook 70", "Hook 7", "hook 7")]
    await keep(database, tenant, *rows)
    assert await found(database, tenant, reference="hook 7") == sorted([rows[0].id, rows[3].id], reverse=True)
    assert await found(database, tenant, reference="hook") == []


async def test_quotes_are_found_by_when_they_were_made(database: Database, tenant: Tenant) -> None:
    rows = [quote(created_at=NOON + timedelta(hours=hours)) for hours in range(4)]
    await keep(database, tenant, *rows)
    span = {"created_from": rows[1].created_at, "created_to": rows[3].created_at}
    assert await found(database, tenant, **span) == [rows[2].id, rows[1].id]


async def test_an_issued_quote_past_its_time_is_found_among_the_expired(database: Database, tenant: Tenant) -> None:
    later, earlier = NOON + timedelta(days=1), NOON - timedelta(days=1)
    fresh = quote(state="issued", expires_at=later)
    lapsed = [quote(state="issued", expires_at=earlier, created_at=NOON + timedelta(n)) for n in range(3)]
    ended = [quote(state="expired", expires_at=earlier, created_at=NOON + timedelta(n, 1)) for n in range(3)]
    await keep(database, tenant, fresh, *lapsed, *ended)
    both = sorted([*lapsed, *ended], key=lambda row: row.created_at, reverse=True)
    assert await found(database, tenant, state="expired") == [row.id for row in both]
    assert await found(database, tenant, state="issued") == [fresh.id]
    assert await found(database, tenant, state="issued", now=later) == []
    assert await found(database, tenant, state="draft") == []


async def test_a_change_takes_the_place_of_the_version_it_has_seen(database: Database, tenant: Tenant) -> None:
    row = quote()
    await keep(database, tenant, row, quote())
    changed = msgspec.structs.replace(row, version=2, state="issued", reference=None, expires_at=NOON)
    async with database.write(tenant) as tx:
        assert await quotes.change(tx, changed, seen=1)
    async with database.write(tenant) as tx:
        assert not await quotes.change(tx, msgspec.structs.replace(row, version=2, reference="late"), seen=1)
        assert await quotes.get(tx, row.id) == changed


async def test_of_changes_at_the_same_time_one_takes_place(database: Database, tenant: Tenant) -> None:
    row = quote()
    await keep(database, tenant, row)

    async def change(reference: str) -> bool:
        async with database.write(tenant) as tx:
            return await quotes.change(tx, msgspec.structs.replace(row, version=2, reference=reference), seen=1)

    outcomes = await asyncio.gather(*(change(str(number)) for number in range(20)))
    assert outcomes.count(True) == 1
    async with database.read(tenant) as tx:
        kept = await quotes.get(tx, row.id)
    assert kept is not None
    assert kept.reference == str(outcomes.index(True))


async def test_an_empty_table_is_one_empty_page(database: Database, tenant: Tenant) -> None:
    assert await every_page(database, tenant, 5) == [[]]


@pytest.mark.parametrize("reference", ["a\0b", "half a pair \ud800", "x" * 201], ids=["nul", "surrogate", "too long"])
async def test_a_reference_that_one_database_could_not_hold_is_refused_on_both(
    database: Database, tenant: Tenant, reference: str
) -> None:
    row = quote(reference=reference)
    with pytest.raises(CotterlineError) as refusal:
        await keep(database, tenant, row)
    assert refusal.value.code == "payload-unstorable"
    assert await every_page(database, tenant, 5) == [[]]


@pytest.mark.parametrize("reference", ["", "x" * 200, "\N{BICYCLE}" * 200, "a\x01b\x7f"])
async def test_any_other_reference_up_to_200_characters_is_kept(
    database: Database, tenant: Tenant, reference: str
) -> None:
    row = quote(reference=reference)
    await keep(database, tenant, row)
    async with database.read(tenant) as tx:
        assert await quotes.get(tx, row.id) == row
