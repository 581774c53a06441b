"""How far a run has come, and when it will be done if it goes on as it went lately."""

from datetime import datetime, timedelta
from typing import Annotated, Final

import msgspec
from msgspec import UNSET, Meta, UnsetType

LATELY: Final = timedelta(minutes=1)
"""What the pace is taken from: long enough for several parts, short enough to follow a change."""

_LONGEST: Final = timedelta(days=365)
"""An end further away than this says nothing."""


class QuoteRunProgress(msgspec.Struct, frozen=True, kw_only=True):
    """How far a run has come; what is not known is left out.

    Attributes:
        percent: bicycles answered of those there are, once all have come in; rounded down to a tenth.
        bicycles_per_second: answered lately, while the run is worked on.
        estimated_end: when all will be answered at this pace, once all have come in.
    """

    percent: Annotated[float, Meta(ge=0, le=100)] | UnsetType = UNSET
    bicycles_per_second: Annotated[float, Meta(ge=0)] | UnsetType = UNSET
    estimated_end: datetime | UnsetType = UNSET


class Counted(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a run at an instant.

    Attributes:
        now: the instant.
        received_all: whether all bicycles have come in.
        bicycles: that came in.
        answered: of them.
        worked_since: since when the run is worked on; None where it is not.
        answered_lately: of them, later than :func:`lately`.
    """

    now: datetime
    received_all: bool
    bicycles: int
    answered: int
    worked_since: datetime | None
    answered_lately: int


def lately(now: datetime, worked_since: datetime) -> datetime:
    """From when on what is answered counts for the pace."""
    return max(worked_since, now - LATELY)


def progress(counted: Counted) -> QuoteRunProgress:
    """How far a run has come.

    >>> from datetime import UTC
    >>> noon = datetime(2024, 5, 1, 12, tzinfo=UTC)
    >>> found = progress(Counted(now=noon, received_all=True, bicycles=8000, answered=2000,
    ...     worked_since=noon - timedelta(minutes=9), answered_lately=600))
    >>> found.percent, found.bicycles_per_second, found.estimated_end.time().isoformat()
    (25.0, 10.0, '12:10:00')
    """
    percent: float | UnsetType = UNSET
    if counted.received_all:
        percent = counted.answered * 1000 // counted.bicycles / 10 if counted.bicycles else 100.0
    if counted.worked_since is None or not counted.answered_lately:
        return QuoteRunProgress(percent=percent)
    seconds = (counted.now - lately(counted.now, counted.worked_since)).total_seconds()
    if seconds <= 0:
        return QuoteRunProgress(percent=percent)
    pace = counted.answered_lately / seconds
    return QuoteRunProgress(percent=percent, bicycles_per_second=round(pace, 1), estimated_end=_end(counted, pace))


def _end(counted: Counted, pace: float) -> datetime | UnsetType:
    left = (counted.bicycles - counted.answered) / pace
    if not counted.received_all or left > _LONGEST.total_seconds():
        return UNSET
    return (counted.now + timedelta(seconds=left)).replace(microsecond=0)
