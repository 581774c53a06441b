"""Fit reports are kept as they are, in their order, and hand on what cranks taught; what is shared names nobody."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
import pytest
from msgspec import UNSET
from sqlalchemy import delete, select, update
from uuid_utils.compat import uuid7

from cotterline.bench.errors import CotterlineError
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.store import exchanges, fit_reports, quotes, shared_offsets
from cotterline.store.database import Database
from cotterline.store.exchanges import ExchangeRow
from cotterline.store.fit_reports import FitReportRow
from cotterline.store.tables import fit_reports as table
from cotterline.store.tables import shared_offsets as pool
from cotterline.store.tenancy import Tenant
from tests.shops import Shops
from tests.store.test_quotes import quote

pytestmark = pytest.mark.anyio

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
TOLD = OffsetReport(crank="Blue", gtin="96385074", rings=1, taper="jis", offset_mm=-14.25, sd_mm=0.625)


@pytest.fixture
async def quote_id(database: Database, tenant: Tenant) -> UUID:
    """Keep a quote that reports can be about."""
    row = quote()
    async with database.write(tenant) as tx:
        await quotes.insert(tx, row)
    return row.id


def report(quote_id: UUID, minutes: int = 0, told: OffsetReport | None = TOLD) -> FitReportRow:
    learned: dict[str, Any] = {}
    if told is not None:
        learned = {
            "crank": told.crank or None,
            "gtin": told.gtin or None,
            "rings": told.rings,
            "taper": told.taper,
            "offset_mm": told.offset_mm,
            "offset_sd_mm": told.sd_mm,
        }
    return FitReportRow(
        id=uuid7(),
        created_at=NOON + timedelta(minutes=minutes),
        actor="till",
        quote_id=quote_id,
        quote_revision=1,
        visit="fitting",
        outcome="missed",
        spindle_length=113.0,
        request=b'{"chain_lines": [ 1 ]}',
        result=b'{"b":1, "a":2}',
        **learned,
    )


async def keep(database: Database, tenant: Tenant, *rows: FitReportRow) -> None:
    async with database.write(tenant) as tx:
        for row in rows:
            await fit_reports.insert(tx, row)


async def test_a_report_comes_back_byte_for_byte(database: Database, tenant: Tenant, quote_id: UUID) -> None:
    row, bare = report(quote_id), report(quote_id, told=None)
    await keep(database, tenant, row, bare)
    async with database.read(tenant) as tx:
        assert await fit_reports.get(tx, row.id) == row
        assert await fit_reports.get(tx, bare.id) == bare
        assert await fit_reports.get(tx, uuid7()) is None


async def test_reports_of_a_quote_come_in_their_order_and_the_newest_is_known(
    database: Database, tenant: Tenant, quote_id: UUID
) -> None:
    late, early = report(quote_id, 5), report(quote_id)
    await keep(database, tenant, late, early)
    async with database.read(tenant) as tx:
        assert list(await fit_reports.of_quote(tx, quote_id)) == [early, late]
        assert await fit_reports.newest_id(tx, quote_id) == late.id
        assert await fit_reports.newest_id(tx, uuid7()) is None


async def test_no_other_shop_sees_a_report_or_learns_from_it(
    database: Database, shops_there: Shops, quote_id: UUID
) -> None:
    row = report(quote_id)
    await keep(database, shops_there.a.tenant, row)
    for other in (shops_there.b.tenant, shops_there.a_test.tenant):
        async with database.read(other) as tx:
            assert await fit_reports.get(tx, row.id) is None
            assert await fit_reports.of_quote(tx, quote_id) == []
            assert await fit_reports.newest_id(tx, quote_id) is None
            assert await fit_reports.offsets(tx) == []


async def test_the_newest_reports_are_learned_from_and_those_that_teach_nothing_are_passed_over(
    database: Database, tenant: Tenant, quote_id: UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = [msgspec.structs.replace(TOLD, offset_mm=-14.0 - each, crank=UNSET) for each in range(3)]
    rows = [report(quote_id, each, one) for each, one in enumerate(told)]
    await keep(database, tenant, *rows, report(quote_id, 9, None))
    async with database.read(tenant) as tx:
        assert list(await fit_reports.offsets(tx)) == [*reversed(told)]
        monkeypatch.setattr(fit_reports, "MOST_LEARNED", 2)
        assert list(await fit_reports.offsets(tx)) == [told[2], told[1]]


async def test_no_more_reports_of_a_quote_are_kept_than_may_be(
    database: Database, tenant: Tenant, quote_id: UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fit_reports, "MOST_OF_A_QUOTE", 1)
    async with database.write(tenant) as tx:
        await fit_reports.insert(tx, report(quote_id))
        with pytest.raises(CotterlineError) as refusal:
            await fit_reports.insert(tx, report(quote_id, 1))
        assert len(await fit_reports.of_quote(tx, quote_id)) == 1
    assert refusal.value.code == "quota-reached"


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_a_report_is_not_deleted(database: Database, tenant: Tenant, quote_id: UUID) -> None:
    """PostgreSQL has no policy for it; on SQLite nothing in the code does it. A customer's words alone are changed."""
    await keep(database, tenant, report(quote_id))
    async with database.write(tenant) as tx:
        assert await tx.execute(delete(table)) == 0


async def test_an_exchange_of_one_report_is_kept_once(database: Database, tenant: Tenant, quote_id: UUID) -> None:
    row = report(quote_id)
    await keep(database, tenant, row)
    made = ExchangeRow(
        fit_report_id=row.id, created_at=NOON, actor="till", quote_id=quote_id, spindle_length=110.0, order_id=None
    )
    async with database.write(tenant) as tx:
        assert await exchanges.insert(tx, made)
        assert not await exchanges.insert(tx, msgspec.structs.replace(made, spindle_length=107.0))
    async with database.read(tenant) as tx:
        assert list(await exchanges.of_quote(tx, quote_id)) == [made]


async def test_what_is_shared_is_read_by_every_shop_and_names_none(database: Database, shops_there: Shops) -> None:
    async with database.write(shops_there.a.tenant) as tx:
        await shared_offsets.insert(tx, TOLD)
    for shop in shops_there:
        async with database.read(shop.tenant) as tx:
            assert list(await shared_offsets.read(tx)) == [msgspec.structs.replace(TOLD, crank=UNSET, shared=True)]
    async with database.read(shops_there.a.tenant) as tx:
        (row,) = await tx.rows(select(pool))
    assert row["id"].version == 4
    assert {*row} == {"id", "gtin", "rings", "taper", "offset_mm", "offset_sd_mm"}


@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
async def test_the_database_itself_lets_test_data_give_nothing_and_nobody_take_back(
    database: Database, shops_there: Shops
) -> None:
    with pytest.raises(Exception, match="row-level security"):
        async with database.write(shops_there.a_test.tenant) as tx:
            await shared_offsets.insert(tx, TOLD)
    async with database.write(shops_there.a.tenant) as tx:
        await shared_offsets.insert(tx, TOLD)
        assert await tx.execute(delete(pool)) == 0
        assert await tx.execute(update(pool).values(offset_mm=0.0)) == 0
