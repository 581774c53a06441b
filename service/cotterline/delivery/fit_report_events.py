"""Fit reports as they are told: to whoever reads one, and to whoever subscribed to them."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from msgspec import Raw

from cotterline.bench.derivation import told as told_result
from cotterline.bench.fit.report import FitReportRequest, Visit
from cotterline.bench.fit.result import FitResult, Outcome
from cotterline.store import events
from cotterline.store.database import WriteTransaction
from cotterline.store.fit_reports import FitReportRow


class ToldFitReport(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of every fit report.

    Attributes:
        id: names the report.
        created_at: when it was made.
        by: id of the key it was made with.
        quote_id: the job it is about.
        quote_revision: the revision that was fitted.
        visit: the fitting, or the re-check after the first rides.
        outcome: whether the job passed.
    """

    id: UUID
    created_at: datetime
    by: str
    quote_id: UUID
    quote_revision: int
    visit: Visit
    outcome: Outcome


class FitReportEntry(ToldFitReport, frozen=True, kw_only=True):
    """What a list shows of a fit report.

    Attributes:
        result: what it was judged to say.
    """

    result: FitResult


class FitReport(FitReportEntry, frozen=True, kw_only=True):
    """A fit report as it was made and judged.

    Attributes:
        request: what was reported, with every default filled in.
    """

    request: FitReportRequest


class KeptEntry(ToldFitReport, frozen=True, kw_only=True):
    """A report out of the database: a :class:`FitReportEntry` on the wire, its result passed on as bytes."""

    result: dict[str, Raw]


class KeptFitReport(KeptEntry, frozen=True, kw_only=True):
    """A report out of the database: a :class:`FitReport` on the wire, its parts passed on as bytes."""

    request: Raw


def entry(row: FitReportRow) -> KeptEntry:
    """What a list shows of a report."""
    return KeptEntry(**_told(row), result=told_result(row.result, derivation=False))


def whole(row: FitReportRow, *, derivation: bool = False) -> KeptFitReport:
    """A report in full, with or without its derivation."""
    result = told_result(row.result, derivation=derivation)
    return KeptFitReport(**_told(row), result=result, request=Raw(row.request))


async def tell(tx: WriteTransaction, row: FitReportRow) -> None:
    """Keep that a report was made, and put it out to who wants to know."""
    await events.emit(tx, "fit_report.made", "fit_report", row.id, 1, row.created_at, whole(row))


def _told(row: FitReportRow) -> dict[str, Any]:
    own = (name for name in ToldFitReport.__struct_fields__ if name != "by")
    return {name: getattr(row, name) for name in own} | {"by": row.actor}
