"""When a bicycle is to be looked at again: bolts settle over the first rides. Common practice, no source."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final, Literal

from msgspec import UnsetType

from cotterline.bench.errors import Fault
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import Outcome

VisitState = Literal["scheduled", "announced", "done", "cancelled"]
FURTHEST: Final = timedelta(days=730)
"""Nobody plans a re-check further ahead; a date that is, is a slip of the pen."""

_RIDDEN: Final = frozenset({"ordered", "closed"})


def due_after(report: FitReportRequest, outcome: Outcome, usual_days: int, now: datetime) -> datetime | None:
    """When to look again after a report, if at all.

    Args:
        report: of a fitting or of a re-check; its own days go before the usual ones, which only a fitting has.
        outcome: that it was judged to have; a job that missed is not ridden.
        usual_days: as the shop set them; 0 for never.
        now: when it was reported.

    >>> from datetime import UTC
    >>> from cotterline.bench.chain.methods import MeasuredChainLine
    >>> from cotterline.bench.quantity import Reading
    >>> report = FitReportRequest(chain_lines=(MeasuredChainLine(chain_line=Reading(value=42)),))
    >>> due_after(report, "passed", 14, datetime(2024, 5, 1, tzinfo=UTC)).day
    15
    """
    usual = usual_days if report.visit == "fitting" else 0
    days = usual if isinstance(report.recheck_in_days, UnsetType) else report.recheck_in_days
    return now + timedelta(days=days) if days and outcome == "passed" else None


def is_ridden(quote_state: str) -> bool:
    """Whether a job in this state can be out riding, so that there is something to look at again.

    >>> is_ridden("closed"), is_ridden("declined")
    (True, False)
    """
    return quote_state in _RIDDEN


def check_due(due_at: datetime, now: datetime) -> Iterator[Fault]:
    """Yield what is wrong with a date that somebody set."""
    if due_at - now > FURTHEST:
        yield Fault("/due_at", f"lies more than {FURTHEST.days} days ahead")
