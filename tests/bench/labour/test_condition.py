"""What is observed of a job, and what it does to chances."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import Factor
from cotterline.bench.labour.condition import JobCondition, ObservedFactor, chance, factors_of, observed
from tests.bench.formulas import check_steps
from tests.bench.labour.books import contingency


def test_what_was_not_looked_at_says_nothing() -> None:
    assert observed(JobCondition()) == ()


@pytest.mark.parametrize(
    ("condition", "factor"),
    [
        (JobCondition(rust="none"), "rust_none"),
        (JobCondition(rust="light"), "rust_light"),
        (JobCondition(rust="heavy"), "rust_heavy"),
        (JobCondition(cup_metal="steel"), "cup_steel"),
        (JobCondition(cup_metal="alloy"), "cup_alloy"),
        (JobCondition(cotter_nuts="free"), "cotter_nuts_free"),
        (JobCondition(cotter_nuts="seized"), "cotter_nuts_seized"),
        (JobCondition(years_since_service=0), "recently_serviced"),
        (JobCondition(years_since_service=2), "recently_serviced"),
        (JobCondition(years_since_service=10), "long_unserviced"),
    ],
)
def test_each_thing_observed_is_a_factor(condition: JobCondition, factor: str) -> None:
    assert observed(condition) == (factor,)


@pytest.mark.parametrize("years", [2.1, 5, 9.9])
def test_a_service_neither_recent_nor_long_ago_says_nothing(years: float) -> None:
    assert observed(JobCondition(years_since_service=years)) == ()


def test_only_what_the_book_names_changes_a_chance() -> None:
    row = structs.replace(contingency("wash", 0.2), odds={"rust_heavy": 3.0, "cup_alloy": 2.0})
    assert factors_of(row, ["long_unserviced", "rust_heavy"]) == (ObservedFactor("rust_heavy", 3.0),)


def test_chances_worked_by_hand() -> None:
    """0.2 is odds of 1 to 4; times 2 and times 6 they are 12 to 4, a chance of 12/16."""
    row, trace = contingency("wash", 0.2), Trace()
    seen = [ObservedFactor("rust_heavy", 2.0), ObservedFactor("cotter_nuts_seized", 6.0)]
    assert chance(row, seen, trace) == 0.75
    assert chance(row, [], trace) == 0.2
    assert chance(contingency("wash", 0), seen, trace) == 0
    check_steps(trace.steps)


@given(st.floats(0, 0.95), st.lists(st.floats(0.01, 100), max_size=4))
def test_odds_multiply_and_nothing_becomes_certain_that_was_not(book: float, odds: list[float]) -> None:
    names: tuple[Factor, ...] = ("rust_heavy", "long_unserviced", "cup_alloy", "cotter_nuts_seized")
    seen = [ObservedFactor(name, size) for name, size in zip(names, odds, strict=False)]
    trace = Trace()
    after = chance(contingency("wash", book), seen, trace)
    expected = book / (1 - book)
    for size in odds:
        expected *= size
    assert after == pytest.approx(expected / (1 + expected), abs=1e-6)
    assert 0 <= after <= 1
    check_steps(trace.steps)


@given(st.floats(0.01, 0.95), st.floats(1.01, 100))
def test_what_raises_the_odds_raises_the_chance(book: float, odds: float) -> None:
    row = contingency("wash", book)
    assert chance(row, [ObservedFactor("rust_heavy", odds)], Trace()) > chance(row, [], Trace())
