"""An order arrives on the supplier's business days, counted from the day it is worked on."""

from datetime import date, datetime, timedelta
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.business_days import arrival, is_open, worked_on
from cotterline.bench.suppliers import BusinessHours, Weekday

WEEK = BusinessHours(cut_off="15:00")
WEEKDAYS = get_args(Weekday)
ANY_TIME = st.datetimes(datetime.fromisoformat("2026-01-01"), datetime.fromisoformat("2026-12-31"))
SOME_HOURS = st.builds(
    lambda days, closed, cut_off: BusinessHours(
        days=tuple(days), closed=tuple(sorted(closed)), cut_off=f"{cut_off:02}:30"
    ),
    st.lists(st.sampled_from(WEEKDAYS), min_size=1, max_size=7, unique=True),
    st.sets(st.dates(date(2026, 1, 1), date(2026, 12, 31)), max_size=20),
    st.integers(0, 23),
)


@pytest.mark.parametrize(
    ("placed", "days", "expected"),
    [
        ("2026-11-25T10:00", 0, "2026-11-25"),
        ("2026-11-25T15:00", 1, "2026-11-26"),
        ("2026-11-25T15:01", 1, "2026-11-27"),
        ("2026-11-27T15:01", 0, "2026-11-30"),
        ("2026-11-27T10:00", 1, "2026-11-30"),
        ("2026-11-28T10:00", 1, "2026-12-01"),
        ("2026-11-28T23:00", 0, "2026-11-30"),
    ],
)
def test_worked_examples_around_the_cut_off_and_the_weekend(placed: str, days: int, expected: str) -> None:
    """25 November 2026 is a Wednesday: the Gregorian calendar."""
    assert arrival(datetime.fromisoformat(placed), days, WEEK) == date.fromisoformat(expected)


def test_days_on_which_a_supplier_is_closed_are_passed_over() -> None:
    """Christmas and New Year, invented as this supplier's holidays: two business days from 23 December 2026."""
    closed = tuple(date.fromisoformat(day) for day in ("2026-12-24", "2026-12-25", "2026-12-28", "2027-01-01"))
    hours = BusinessHours(closed=closed)
    assert arrival(datetime.fromisoformat("2026-12-23T09:00"), 2, hours) == date(2026, 12, 30)
    assert arrival(datetime.fromisoformat("2026-12-31T16:00"), 0, hours) == date(2027, 1, 4)


def test_a_supplier_that_works_on_saturdays_alone_takes_a_week_for_a_day() -> None:
    assert arrival(datetime.fromisoformat("2026-11-25T09:00"), 1, BusinessHours(days=("saturday",))) == date(
        2026, 12, 5
    )


@given(SOME_HOURS, ANY_TIME, st.integers(0, 40))
def test_arrivals_are_those_of_an_independent_calendar(hours: BusinessHours, placed: datetime, days: int) -> None:
    """Oracle: numpy's busday functions, by a mask of the week and a list of holidays."""
    mask = [day in hours.days for day in WEEKDAYS]
    calendar = np.busdaycalendar(weekmask=mask, holidays=np.array(hours.closed, dtype="datetime64[D]"))
    day = placed.date()
    late = placed.strftime("%H:%M:%S.%f") > f"{hours.cut_off}:00.000000"
    if late and bool(np.is_busday(np.datetime64(day), busdaycal=calendar)):
        day += timedelta(days=1)
    expected = np.busday_offset(np.datetime64(day), days, roll="forward", busdaycal=calendar)
    assert arrival(placed, days, hours) == expected.astype(date)


@given(SOME_HOURS, ANY_TIME)
def test_an_order_is_worked_on_when_the_supplier_is_open_and_never_before_it_was_placed(
    hours: BusinessHours, placed: datetime
) -> None:
    day = worked_on(placed, hours)
    assert is_open(day, hours)
    assert day >= placed.date()
