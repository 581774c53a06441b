"""Quotes are kept byte for byte and paged newest first, on both databases."""

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
from cotterline.store.tenancy import ENTER, Tenant, settings

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, 0, 0, 123456, tzinfo=UTC)


def quote(**changes: object) -> quotes.QuoteRow:
    row = quotes.QuoteRow(
        id=uuid7(),
        created_at=NOON,
        reference="green tourer, noisy left side",
        verdict_state="fit_to_order",
        leading_family="iso_english",
        core_version="0.1.0",
        request=b'{"evidence":[]}',
        result=b'{"b":1, "a":2.50}',
    )
    return msgspec.structs.replace(row, **changes)


async def keep(database: Database, tenant: Tenant, *rows: quotes.QuoteRow) -> None:
    for row in rows:
        async with database.write(tenant) as tx:
            await quotes.insert(tx, row)


async def every_page(database: Database, tenant: Tenant, limit: int) -> list[list[UUID]]:
    pages: list[list[UUID]] = []
    after = None
    while True:
        async with database.read(tenant) as tx:
            page = await quotes.page(tx, after, limit)
        pages.append([summary.id for summary in page.quotes])
        after = page.following
        if after is None:
            return pages


async def test_a_stored_quote_comes_back_as_it_went_in(database: Database, tenant: Tenant) -> None:
    row = quote(result=bytes(range(256)) * 200)
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
        first = await quotes.page(tx, None, 2)
    await keep(database, tenant, quote(created_at=NOON + timedelta(days=1)))
    async with database.read(tenant) as tx:
        second = await quotes.page(tx, first.following, 2)
    assert [summary.id for summary in second.quotes] == [old[0].id]


async def test_a_page_is_read_off_the_index_without_sorting(database: Database, tenant: Tenant, backend: str) -> None:
    sent: list[tuple[str, Any]] = []

    @event.listens_for(database._reader.sync_engine, "before_cursor_execute")
    def record(*told: Any) -> None:  # noqa: ANN401 -- as the event passes them: connection, cursor, statement, ...
        sent.append((told[2], told[3]))

    async with database.read(tenant) as tx:
        await quotes.page(tx, Cursor(NOON, uuid7()), 20)
    (statement, parameters) = sent[-1]
    async with database._reader.connect() as connection:
        if backend == "postgresql":  # It would rather sort a table as small as this one.
            await connection.execute(ENTER, settings(tenant))
            await connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
            await connection.exec_driver_sql("SET LOCAL enable_bitmapscan = off")
        explain = "EXPLAIN " if backend == "postgresql" else "EXPLAIN QUERY PLAN "
        plan = str((await connection.exec_driver_sql(explain + statement, parameters)).all())
    assert "ix_quotes_shop_id_mode_created_at_id" in plan
    assert re.search(r"Index Cond: \(.* AND \(ROW\(created_at, id\) <", plan) or "(created_at,id)<" in plan
    assert "Sort" not in plan
    assert "TEMP B-TREE" not in plan


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
