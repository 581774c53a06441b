"""Links are kept as a hash, found by their token alone, answered once, and end for good."""

import asyncio
from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import select
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.store import audit, estimate_links, quotes, secret_text
from cotterline.store.database import Database
from cotterline.store.estimate_links import MOST_OPEN, SEEN_AGAIN_AFTER, FoundLink, LinkRow
from cotterline.store.tables import estimate_links as table
from cotterline.store.tenancy import SERVICE, Tenant
from tests.shops import Shop
from tests.store.test_quotes import quote

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


@pytest.fixture
async def quote_id(database: Database, tenant: Tenant) -> UUID:
    """Keep a quote that links can lead to."""
    row = quote()
    async with database.write(tenant) as tx:
        await quotes.insert(tx, row)
    return row.id


def link(quote_id: UUID, **changes: object) -> LinkRow:
    row = LinkRow(
        id=uuid7(),
        quote_id=quote_id,
        revision=1,
        created_at=NOON,
        actor="till",
        expires_at=NOON + timedelta(days=7),
        language="de",
        units="mm",
    )
    return msgspec.structs.replace(row, **changes)


async def made(database: Database, tenant: Tenant, row: LinkRow) -> str:
    async with database.write(tenant) as tx:
        return await estimate_links.make(tx, row)


async def kept(database: Database, tenant: Tenant, link_id: UUID) -> LinkRow | None:
    async with database.read(tenant) as tx:
        return await estimate_links.get(tx, link_id)


async def test_a_token_finds_its_link_and_nothing_of_it_is_kept_but_a_hash(
    database: Database, tenant: Tenant, quote_id: UUID
) -> None:
    row = link(quote_id)
    token = await made(database, tenant, row)
    other = await made(database, tenant, link(quote_id))
    async with database.read(SERVICE) as tx:
        assert await estimate_links.find(tx, token) == FoundLink(tenant, row.id)
        assert await estimate_links.find(tx, other[:-1]) is None
    assert await kept(database, tenant, row.id) == row
    async with database.read(tenant) as tx:
        rows = await tx.rows(select(table))
        trail = await audit.page(tx, None, 10)
    assert secret_text.digest(token) in [found["token_hash"] for found in rows]
    assert token not in repr(rows) + repr(trail)
    assert [entry.action for entry in trail.entries[:2]] == ["estimate_link.made"] * 2


async def test_a_link_is_there_for_nobody_else(
    database: Database, tenant: Tenant, quote_id: UUID, shop_b: Shop, shop_a_test: Shop
) -> None:
    row = link(quote_id)
    await made(database, tenant, row)
    for stranger in (shop_b.tenant, shop_a_test.tenant):
        assert await kept(database, stranger, row.id) is None
        async with database.write(stranger) as tx:
            assert await estimate_links.hold(tx, row.id) is None
            assert await estimate_links.every(tx, quote_id) == []
            await estimate_links.end(tx, row.id, now=NOON, actor="stranger")
            await estimate_links.note_seen(tx, row.id, NOON)
            with pytest.raises(RuntimeError):
                await estimate_links.answer(tx, row.id, "declined", NOON)
    assert await kept(database, tenant, row.id) == row


async def test_a_link_is_answered_once(database: Database, tenant: Tenant, quote_id: UUID) -> None:
    row = link(quote_id)
    await made(database, tenant, row)
    async with database.write(tenant) as tx:
        await estimate_links.answer(tx, row.id, "approved", NOON)
        with pytest.raises(RuntimeError):
            await estimate_links.answer(tx, row.id, "declined", NOON)
    found = await kept(database, tenant, row.id)
    assert found == msgspec.structs.replace(row, answer="approved", answered_at=NOON)


async def test_a_link_ends_once_and_the_trail_says_so(database: Database, tenant: Tenant, quote_id: UUID) -> None:
    row = link(quote_id)
    await made(database, tenant, row)
    for minutes in (1, 2):
        async with database.write(tenant) as tx:
            await estimate_links.end(tx, row.id, now=NOON + timedelta(minutes=minutes), actor="till")
    async with database.read(tenant) as tx:
        trail = await audit.page(tx, None, 10, str(row.id))
    found = await kept(database, tenant, row.id)
    assert found == msgspec.structs.replace(row, ended_at=NOON + timedelta(minutes=1))
    assert [entry.action for entry in trail.entries] == ["estimate_link.ended", "estimate_link.made"]


async def test_a_page_seen_again_within_a_minute_is_not_written_again(
    database: Database, tenant: Tenant, quote_id: UUID
) -> None:
    row = link(quote_id)
    await made(database, tenant, row)
    seen = []
    for later in (timedelta(0), SEEN_AGAIN_AFTER / 2, SEEN_AGAIN_AFTER * 2, SEEN_AGAIN_AFTER):
        async with database.write(tenant) as tx:
            await estimate_links.note_seen(tx, row.id, NOON + later)
        found = await kept(database, tenant, row.id)
        assert found is not None
        seen.append(found.last_seen_at)
    assert seen == [NOON, NOON, NOON + SEEN_AGAIN_AFTER * 2, NOON + SEEN_AGAIN_AFTER * 2]


async def test_no_more_links_are_open_than_may_be_however_many_are_made_at_once(
    database: Database, tenant: Tenant, quote_id: UUID
) -> None:
    tries = [made(database, tenant, link(quote_id)) for _ in range(MOST_OPEN + 4)]
    outcomes = await asyncio.gather(*tries, return_exceptions=True)
    refused = [outcome for outcome in outcomes if isinstance(outcome, BaseException)]
    assert [type(error) for error in refused] == [CotterlineError] * 4
    assert {error.code for error in refused if isinstance(error, CotterlineError)} == {"too-many-links"}


async def test_links_that_can_no_longer_be_answered_leave_room(
    database: Database, tenant: Tenant, quote_id: UUID
) -> None:
    rows = [link(quote_id) for _ in range(MOST_OPEN)]
    for row in rows:
        await made(database, tenant, row)
    async with database.write(tenant) as tx:
        await estimate_links.end(tx, rows[0].id, now=NOON, actor="till")
        await estimate_links.answer(tx, rows[1].id, "declined", NOON)
    for _ in range(2):
        await made(database, tenant, link(quote_id))
    with pytest.raises(CotterlineError):
        await made(database, tenant, link(quote_id))
    later = NOON + timedelta(days=7)
    await made(database, tenant, link(quote_id, created_at=later, expires_at=later + timedelta(days=1)))
    await made(database, tenant, link(quote_id, revision=2))
