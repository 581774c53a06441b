"""A token bucket lets through its burst and then its rate, and says truly how long to wait."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.api.token_bucket import Decision, Policy, decide, decide_together

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
TEN = Policy("key", per_minute=60, burst=10)
"""Ten at once, then one a second."""


def after(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


class Row(NamedTuple):
    """A bucket that lacks some tokens, what is asked of it, and what it says."""

    missing: float | None
    cost: int
    remaining: int
    reset: int
    retry_after: int
    missing_then: float


TABLE = {
    "never used": Row(None, 1, 9, 1, 0, 1),
    "full again long ago": Row(-3600, 1, 9, 1, 0, 1),
    "half full": Row(5, 1, 4, 6, 0, 6),
    "between two tokens": Row(5.5, 1, 3, 7, 0, 6.5),
    "the last token": Row(9, 1, 0, 1, 0, 10),
    "nearly a token": Row(9.25, 1, 0, 1, 1, 9.25),
    "empty": Row(10, 1, 0, 1, 1, 10),
    "several at once": Row(4, 6, 0, 1, 0, 10),
    "several, one too many": Row(5, 6, 5, 1, 1, 5),
    "several, four too many": Row(8, 6, 2, 4, 4, 8),
    "the whole bucket": Row(None, 10, 0, 1, 0, 10),
    "a look that takes nothing": Row(3, 0, 7, 3, 0, 3),
    "written under a clock an hour ahead": Row(3600, 1, 0, 1, 1, 10),
}


@pytest.mark.parametrize("row", TABLE.values(), ids=TABLE)
def test_what_a_bucket_of_ten_says(row: Row) -> None:
    full_at = None if row.missing is None else after(row.missing)
    assert decide(full_at, NOON, row.cost, TEN) == Decision(
        policy=TEN,
        remaining=row.remaining,
        reset=row.reset,
        retry_after=row.retry_after,
        full_at=after(row.missing_then),
    )


def test_a_cost_that_no_bucket_holds_is_a_mistake_of_ours() -> None:
    with pytest.raises(ValueError, match="no bucket of 10"):
        decide(None, NOON, 11, TEN)


@pytest.mark.parametrize(("per_minute", "burst", "window"), [(60, 10, 10), (600, 200, 20), (7, 1, 9), (60_000, 1, 1)])
def test_the_window_is_the_time_an_empty_bucket_takes_to_fill(per_minute: int, burst: int, window: int) -> None:
    assert Policy("key", per_minute=per_minute, burst=burst).window == window


policies = st.builds(Policy, st.just("key"), per_minute=st.integers(1, 100_000), burst=st.integers(1, 1000))
gaps = st.lists(st.integers(0, 20_000_000), min_size=1, max_size=60)


def run(policy: Policy, microseconds: list[int], each: Callable[[datetime, Decision], None]) -> None:
    """Ask one token after each gap."""
    now, state = NOON, None
    for gap in microseconds:
        now += timedelta(microseconds=gap)
        decision = decide(state, now, 1, policy)
        each(now, decision)
        state = decision.full_at


@given(policies, gaps)
def test_it_decides_as_a_count_of_tokens_would(policy: Policy, microseconds: list[int]) -> None:
    """The same bucket the other way round: tokens counted in fractions, added as time goes by."""
    interval = Fraction(policy.interval // timedelta(microseconds=1))
    tokens, seen = Fraction(policy.burst), NOON

    def count(now: datetime, decision: Decision) -> None:
        nonlocal tokens, seen
        tokens = min(Fraction(policy.burst), tokens + Fraction((now - seen) // timedelta(microseconds=1)) / interval)
        seen = now
        assert decision.allowed == (tokens >= 1)
        tokens -= decision.allowed
        assert decision.remaining == int(tokens)

    run(policy, microseconds, count)


@given(policies, gaps)
def test_no_span_lets_through_more_than_the_burst_and_the_rate(policy: Policy, microseconds: list[int]) -> None:
    """What a token bucket is: in any time t at most burst + rate * t (RFC 3290, appendix A.3; from memory)."""
    passed: list[datetime] = []

    def note(now: datetime, decision: Decision) -> None:
        if decision.allowed:
            passed.append(now)

    run(policy, microseconds, note)
    for first, begin in enumerate(passed):
        for last, end in enumerate(passed[first:], start=1):
            assert last <= policy.burst + (end - begin) / policy.interval + 1e-9


@given(policies, st.integers(0, 120_000_000), st.integers(1, 1000))
def test_who_waits_as_long_as_told_is_let_through_and_who_waits_a_second_less_is_not(
    policy: Policy, missing: int, cost: int
) -> None:
    cost = min(cost, policy.burst)
    full_at = NOON + timedelta(microseconds=missing)
    refused = decide(full_at, NOON, cost, policy)
    if refused.allowed:
        assert refused.retry_after == 0
        return
    assert refused.reset == refused.retry_after > 0
    told = timedelta(seconds=refused.retry_after)
    assert decide(refused.full_at, NOON + told, cost, policy).allowed
    early = NOON + told - timedelta(seconds=1)
    assert not decide(refused.full_at, early, cost, policy).allowed


@given(policies, gaps)
def test_a_refusal_costs_nothing(policy: Policy, microseconds: list[int]) -> None:
    state: datetime | None = None

    def same(_now: datetime, decision: Decision) -> None:
        nonlocal state
        if not decision.allowed:
            assert decision.full_at == state
        state = decision.full_at

    run(policy, microseconds, same)


def test_of_two_buckets_both_give_or_neither() -> None:
    shop = Policy("shop", per_minute=60, burst=2)
    both = decide_together((None, None), NOON, 1, (TEN, shop))
    assert [(decision.allowed, decision.remaining) for decision in both] == [(True, 9), (True, 1)]
    neither = decide_together((both[0].full_at, after(2)), NOON, 1, (TEN, shop))
    assert [(decision.allowed, decision.remaining) for decision in neither] == [(True, 9), (False, 0)]
    assert [decision.full_at for decision in neither] == [both[0].full_at, after(2)]
