"""Re-check visits: one for each quote, changed by who saw its version, found when due, paged newest first."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest

from cotterline.bench.recheck_visits import VisitState
from cotterline.store import quotes, recheck_visits
from cotterline.store.database import Database
from cotterline.store.recheck_visits import VisitRow
from cotterline.store.tenancy import Tenant
from tests.shops import Shops
from tests.store.test_quotes import quote

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)


async def planned(
    database: Database, tenant: Tenant, due_at: datetime = NOON, state: VisitState = "scheduled", created: int = 0
) -> VisitRow:
    """Keep a quote with a visit."""
    job = quote(state="ordered")
    row = VisitRow(
        quote_id=job.id,
        created_at=NOON + timedelta(minutes=created),
        due_at=due_at,
        state=state,
        version=1,
        actor="till",
        changed_at=NOON,
    )
    async with database.write(tenant) as tx:
        await quotes.insert(tx, job)
        assert await recheck_visits.insert(tx, row)
    return row


async def kept(database: Database, tenant: Tenant, quote_id: UUID) -> VisitRow | None:
    async with database.read(tenant) as tx:
        return await recheck_visits.get(tx, quote_id)


async def test_a_quote_has_one_visit(database: Database, tenant: Tenant) -> None:
    row = await planned(database, tenant)
    async with database.write(tenant) as tx:
        assert not await recheck_visits.insert(tx, msgspec.structs.replace(row, due_at=NOON + timedelta(days=1)))
        assert await recheck_visits.hold(tx, row.quote_id) == row
    assert await kept(database, tenant, row.quote_id) == row


async def test_who_saw_another_version_changes_nothing(database: Database, tenant: Tenant) -> None:
    row = await planned(database, tenant)
    later = msgspec.structs.replace(row, version=2, due_at=NOON + timedelta(days=3), state="announced")
    async with database.write(tenant) as tx:
        assert await recheck_visits.change(tx, later, 1)
        assert not await recheck_visits.change(tx, msgspec.structs.replace(later, version=3, state="done"), 1)
    assert await kept(database, tenant, row.quote_id) == later


async def test_a_visit_is_due_from_its_moment_until_it_is_announced(database: Database, tenant: Tenant) -> None:
    row = await planned(database, tenant)
    await planned(database, tenant, NOON + timedelta(microseconds=1))
    for state in ("announced", "done", "cancelled"):
        await planned(database, tenant, NOON - timedelta(days=1), state)
    async with database.read(tenant) as tx:
        assert list(await recheck_visits.due(tx, NOON, 9)) == [row]
        assert len(await recheck_visits.due(tx, NOON + timedelta(days=1), 9)) == 2
        assert len(await recheck_visits.due(tx, NOON + timedelta(days=1), 1)) == 1


async def test_pages_follow_each_other_newest_first_and_by_state(database: Database, tenant: Tenant) -> None:
    rows = [
        await planned(database, tenant, state="done" if each % 2 else "scheduled", created=each) for each in range(5)
    ]
    found: list[VisitRow] = []
    after = None
    async with database.read(tenant) as tx:
        while True:
            page = await recheck_visits.page(tx, None, after, 2)
            found += page.visits
            after = page.following
            if after is None:
                break
        assert found == [*reversed(rows)]
        assert list((await recheck_visits.page(tx, "done", None, 9)).visits) == [rows[3], rows[1]]


async def test_no_other_shop_sees_or_changes_a_visit(database: Database, shops_there: Shops) -> None:
    row = await planned(database, shops_there.a.tenant)
    for other in (shops_there.b.tenant, shops_there.a_test.tenant):
        async with database.write(other) as tx:
            assert await recheck_visits.get(tx, row.quote_id) is None
            assert await recheck_visits.hold(tx, row.quote_id) is None
            assert list(await recheck_visits.due(tx, NOON, 9)) == []
            assert (await recheck_visits.page(tx, None, None, 9)).visits == ()
            assert not await recheck_visits.change(tx, msgspec.structs.replace(row, state="done"), 1)
    assert await kept(database, shops_there.a.tenant, row.quote_id) == row
