"""When a post is tried again is a table: what came, which try it was, and how long until the next."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.delivery.schedule import (
    LONGEST_WAIT,
    SCHEDULE,
    Answer,
    Trouble,
    decided,
    has_failed_too_long,
)

NOW = datetime(2024, 5, 1, 12, tzinfo=UTC)
MIDDLE = 0.5
MINUTE, HOUR = 60, 3600

TIMEOUT = Trouble(kind="timeout", words="no answer within 15 s")
CUT = Trouble(kind="connection", words="no connection")
ERROR = Answer(status=500)

statuses = st.integers(100, 599)
tries = st.integers(1, 20)
chances = st.floats(0, 1, exclude_max=True)


def wait(came: Answer | Trouble, tried: int, chance: float = MIDDLE) -> float:
    """Seconds until the next try."""
    decision = decided(came, tried, NOW, chance)
    assert decision.outcome == "again"
    assert decision.due_at is not None
    return (decision.due_at - NOW).total_seconds()


@pytest.mark.parametrize(
    ("tried", "seconds"),
    [
        (1, 5),
        (2, 5 * MINUTE),
        (3, 30 * MINUTE),
        (4, 2 * HOUR),
        (5, 5 * HOUR),
        (6, 10 * HOUR),
        (7, 14 * HOUR),
        (8, 20 * HOUR),
        (9, 24 * HOUR),
    ],
)
def test_each_try_waits_as_the_schedule_says(tried: int, seconds: float) -> None:
    # Standard Webhooks 1.0, "Deliverability and reliability": the schedule it suggests.
    assert wait(ERROR, tried) == seconds
    assert wait(CUT, tried) == seconds


def test_after_the_tenth_there_is_no_other() -> None:
    assert decided(ERROR, 10, NOW, MIDDLE).outcome == "failed"
    assert decided(TIMEOUT, 11, NOW, MIDDLE).outcome == "failed"


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_what_says_yes_is_delivered(status: int) -> None:
    assert decided(Answer(status=status), 1, NOW, MIDDLE).outcome == "delivered"


@pytest.mark.parametrize("status", [100, 199, 300, 301, 302, 304, 307, 308, 400, 401, 404, 409, 411, 500, 503])
def test_what_says_anything_else_is_tried_again_and_a_redirect_too(status: int) -> None:
    assert decided(Answer(status=status), 1, NOW, MIDDLE).outcome == "again"


@pytest.mark.parametrize("tried", [1, 9, 10])
def test_gone_is_final_at_whatever_try(tried: int) -> None:
    assert decided(Answer(status=410), tried, NOW, MIDDLE).outcome == "gone"


@pytest.mark.parametrize(("chance", "seconds"), [(0.0, 240), (0.25, 270), (0.5, 300), (1 - 1e-12, 360)])
def test_a_wait_is_stretched_or_cut_by_a_fifth_at_most(chance: float, seconds: float) -> None:
    assert wait(ERROR, 2, chance) == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("retry_after", "seconds"),
    [
        ("0", 300),
        ("299", 300),
        ("300", 300),
        ("450", 450),
        ("600", 600),
        ("601", 600),
        (" 450 ", 450),
        ("999999999", 600),
        ("Wed, 01 May 2024 12:07:30 GMT", 450),
        ("Wednesday, 01-May-24 12:07:30 GMT", 450),
        ("Wed May  1 12:07:30 2024", 450),
        ("Wed, 01 May 2024 11:00:00 GMT", 300),
        ("Thu, 02 May 2024 12:00:00 GMT", 600),
    ],
)
def test_what_the_receiver_asks_for_holds_between_the_wait_and_twice_it(retry_after: str, seconds: float) -> None:
    # RFC 9110, sections 10.2.3 and 5.6.7: seconds, or a date in any of three forms.
    assert wait(Answer(status=503, retry_after=retry_after), 2, chance=0.0) == seconds


@pytest.mark.parametrize(
    "retry_after",
    [
        *("", "soon", "-5", "1.5", "1e9", "٥", "9" * 500, "Wed, 99 May 2024 25:61:00 GMT"),
        *("1 Jan 999999999999999999999999 00:00:00 GMT", "1 Jan 2024 0:0:99999999999999999999"),
        "Wed, 01 May 2024 12:07:30 -9999999999999999999999999",
    ],
)
def test_a_request_that_makes_no_sense_is_passed_over(retry_after: str) -> None:
    assert wait(Answer(status=503, retry_after=retry_after), 2) == 300


@pytest.mark.parametrize("came", [TIMEOUT, Answer(status=429), Answer(status=429, retry_after="7")])
def test_who_is_overtaxed_gets_a_minute_at_least(came: Answer | Trouble) -> None:
    assert wait(came, 1) == 60


@pytest.mark.parametrize("came", [ERROR, CUT, Answer(status=503, retry_after="7")])
def test_who_is_not_gets_no_more_than_the_schedule(came: Answer | Trouble) -> None:
    assert wait(came, 1) <= 10


@given(statuses, tries, chances, st.none() | st.text(max_size=40) | st.integers(0, 10**12).map(str))
def test_no_wait_is_longer_than_the_longest(status: int, tried: int, chance: float, asked: str | None) -> None:
    decision = decided(Answer(status=status, retry_after=asked), tried, NOW, chance)
    assert (decision.due_at is not None) == (decision.outcome == "again")
    if decision.due_at is not None:
        base = SCHEDULE[tried]
        assert base * 0.8 <= decision.due_at - NOW <= max(2 * base, timedelta(minutes=1)) <= LONGEST_WAIT


@pytest.mark.parametrize(("hours", "too_long"), [(0, False), (119, False), (120, True), (500, True), (-500, False)])
def test_five_days_without_a_success_are_too_long(hours: int, *, too_long: bool) -> None:
    assert has_failed_too_long(NOW - timedelta(hours=hours), NOW) is too_long


def test_a_whole_round_is_over_within_four_days() -> None:
    assert sum(SCHEDULE, timedelta(0)) == timedelta(hours=75, minutes=35, seconds=5)
