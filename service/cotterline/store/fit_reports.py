"""Fit reports: what was measured once the crank was on, and what it was judged to say, byte for byte.

Only a customer's words are ever taken out again, by store/customer_data.py.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from uuid import UUID

import msgspec
from msgspec import UNSET
from sqlalchemy import and_, func, select
from sqlalchemy import insert as insert_into

from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.report import Visit
from cotterline.bench.fit.result import Outcome
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.spindle.taper import Taper
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import fit_reports
from cotterline.store.tenancy import owned, ownership

MOST_OF_A_QUOTE: Final = 200
"""Reports of one quote, which are read together."""

MOST_LEARNED: Final = 1000
"""Reports that are learned from, the newest of all."""


class FitReportRow(msgspec.Struct, frozen=True, kw_only=True):
    """One report; lengths are in mm.

    Attributes:
        id: version 7 of RFC 9562.
        created_at: when it was made.
        actor: id of the key it was made with.
        quote_id: the job it is about.
        quote_revision: the revision that was fitted.
        visit: the fitting, or the re-check after the first rides.
        outcome: whether the job passed.
        spindle_length: of the spindle that was fitted.
        crank: the shop's own name for the crank, if it has one.
        gtin: the crank's trade item number, where known.
        rings: how many chainrings the crank carries; left out, with all that follows, where nothing was learned.
        taper: standard of the ends it was fitted on.
        offset_mm: of the crank, as observed.
        offset_sd_mm: its standard deviation.
        erased_at: when what may be a customer's words was taken out of the report.
        request: what was reported, as JSON.
        result: what it was judged to say, as JSON.
    """

    id: UUID
    created_at: datetime
    actor: str
    quote_id: UUID
    quote_revision: int
    visit: Visit
    outcome: Outcome
    spindle_length: float
    crank: str | None = None
    gtin: str | None = None
    rings: int | None = None
    taper: Taper | None = None
    offset_mm: float | None = None
    offset_sd_mm: float | None = None
    erased_at: datetime | None = None
    request: bytes
    result: bytes


_COLUMNS = tuple(fit_reports.c[name] for name in FitReportRow.__struct_fields__)
_OFFSET = tuple(fit_reports.c[name] for name in ("crank", "gtin", "rings", "taper", "offset_mm", "offset_sd_mm"))
_NEWEST = (fit_reports.c.created_at.desc(), fit_reports.c.id.desc())
_FIRST = (fit_reports.c.created_at, fit_reports.c.id)


async def insert(tx: WriteTransaction, report: FitReportRow) -> None:
    """Keep one report as the tenant's.

    Raises:
        CotterlineError: ``quota-reached``, where as many of its quote are kept already.
    """
    mine = and_(owned(fit_reports, tx.tenant), fit_reports.c.quote_id == report.quote_id)
    (found,) = await tx.rows(select(func.count().label("there")).select_from(fit_reports).where(mine))
    if found["there"] >= MOST_OF_A_QUOTE:
        raise CotterlineError("quota-reached", f"{MOST_OF_A_QUOTE} fit reports of this quote are kept already.")
    await tx.execute(insert_into(fit_reports).values(msgspec.structs.asdict(report) | ownership(tx.tenant)))


async def get(tx: ReadTransaction, report_id: UUID) -> FitReportRow | None:
    """Return the tenant's report with this id, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(owned(fit_reports, tx.tenant), fit_reports.c.id == report_id))
    return FitReportRow(**rows[0]) if rows else None


async def of_quote(tx: ReadTransaction, quote_id: UUID) -> Sequence[FitReportRow]:
    """Return every report of the tenant's quote, the first one first."""
    mine = select(*_COLUMNS).where(owned(fit_reports, tx.tenant), fit_reports.c.quote_id == quote_id)
    return [FitReportRow(**row) for row in await tx.rows(mine.order_by(*_FIRST))]


async def newest_result(tx: ReadTransaction, quote_id: UUID) -> bytes | None:
    """Return what the newest report of the tenant's quote was judged to say, as JSON, if there is any."""
    mine = select(fit_reports.c.result).where(owned(fit_reports, tx.tenant), fit_reports.c.quote_id == quote_id)
    rows = await tx.rows(mine.order_by(*_NEWEST).limit(1))
    return rows[0]["result"] if rows else None


async def newest_id(tx: ReadTransaction, quote_id: UUID) -> UUID | None:
    """Return the id of the newest report of the tenant's quote, if there is any."""
    mine = select(fit_reports.c.id).where(owned(fit_reports, tx.tenant), fit_reports.c.quote_id == quote_id)
    rows = await tx.rows(mine.order_by(*_NEWEST).limit(1))
    return rows[0]["id"] if rows else None


async def offsets(tx: ReadTransaction) -> Sequence[OffsetReport]:
    """Return what the tenant's newest reports say of their cranks, as many as are learned from."""
    told = select(*_OFFSET).where(owned(fit_reports, tx.tenant), fit_reports.c.offset_mm.is_not(None))
    return [
        OffsetReport(
            crank=row["crank"] or UNSET,
            gtin=row["gtin"] or UNSET,
            rings=row["rings"],
            taper=row["taper"],
            offset_mm=row["offset_mm"],
            sd_mm=row["offset_sd_mm"],
        )
        for row in await tx.rows(told.order_by(*_NEWEST).limit(MOST_LEARNED))
    ]
