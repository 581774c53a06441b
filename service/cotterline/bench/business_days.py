"""When an order arrives, by a supplier's cut-off, its working days and its lead time in business days."""

from datetime import date, datetime, time, timedelta
from typing import Final, get_args

from cotterline.bench.suppliers import BusinessHours, Weekday

_WEEKDAYS: Final[tuple[Weekday, ...]] = get_args(Weekday)
_A_DAY: Final = timedelta(days=1)


def is_open(day: date, hours: BusinessHours) -> bool:
    """Whether the supplier works on ``day``."""
    return _WEEKDAYS[day.weekday()] in hours.days and day not in hours.closed


def worked_on(placed: datetime, hours: BusinessHours) -> date:
    """The day on which an order is worked on: the day itself up to the cut-off, or else the next the supplier works.

    Args:
        placed: by the supplier's own clock.
        hours: the supplier's.
    """
    day, late = placed.date(), placed.time() > time.fromisoformat(hours.cut_off)
    if late and is_open(day, hours):
        day += _A_DAY
    while not is_open(day, hours):
        day += _A_DAY
    return day


def arrival(placed: datetime, lead_days: int, hours: BusinessHours) -> date:
    """The day an order is expected: as many of the supplier's business days after the one it is worked on.

    Args:
        placed: by the supplier's own clock; its zone is the caller's matter.
        lead_days: business days, 0 or more.
        hours: the supplier's.

    Common practice, no source. Friday 27 November 2026 after the cut-off, two business days: worked on on Monday.

    >>> arrival(datetime(2026, 11, 27, 16, 0), 2, BusinessHours(cut_off="15:00"))
    datetime.date(2026, 12, 2)
    """
    day = worked_on(placed, hours)
    for _ in range(lead_days):
        day += _A_DAY
        while not is_open(day, hours):
            day += _A_DAY
    return day
