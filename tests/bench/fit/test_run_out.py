"""Run-out: the best position, whether it is good enough, and which readings cannot be told apart."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from cotterline.bench.fit.result import FitResult, RunOut
from tests.bench.fit_cases import check, fit_report, judged, line
from tests.bench.spindle_cases import pair_question

AT_43 = pair_question(113, 43, 43)


def tried(*wobbles: float, plus_minus: float = 0.1, good: float = 0.5, most: float = 1.0) -> FitResult:
    """A report of the first positions in their order."""
    readings = [
        {"position": at, "wobble": {"value": value, "plus_minus": plus_minus}} for at, value in enumerate(wobbles, 1)
    ]
    settings = {"run_out_good_mm": good, "run_out_most_mm": most}
    return judged(AT_43, fit_report(line(43), run_out=readings), settings=settings)


def found(result: FitResult) -> RunOut:
    assert isinstance(result.run_out, RunOut)
    return result.run_out


def test_the_least_wobble_is_the_best_position() -> None:
    best = found(tried(1.4, 0.9, 0.3, 0.8))
    assert (best.position, best.wobble.value, best.state) == (3, 0.3, "good")
    assert best.alike == best.not_tried == ()
    assert not best.advice


@pytest.mark.parametrize(
    ("wobble", "state", "passes"),
    [
        (0.0, "good", "pass"),
        (0.5, "good", "pass"),
        (0.51, "tolerable", "pass"),
        (1.0, "tolerable", "pass"),
        (1.01, "too_much", "fail"),
    ],
)
def test_the_shops_two_limits_divide_good_from_tolerable_from_too_much(wobble: float, state: str, passes: str) -> None:
    result = tried(wobble)
    assert (found(result).state, check(result, "run_out").state) == (state, passes)
    assert result.outcome == ("passed" if passes == "pass" else "missed")


def test_a_shop_sets_its_own_limits() -> None:
    assert found(tried(0.4, good=0.3, most=0.35)).state == "too_much"
    assert found(tried(1.4, good=1.4, most=2)).state == "good"


@given(st.floats(0, 3), st.floats(0.05, 2), st.floats(0.2, 3))
def test_the_chance_of_the_run_out_is_scipys(wobble: float, plus_minus: float, most: float) -> None:
    given_ = check(tried(wobble, plus_minus=plus_minus, good=0.1, most=most), "run_out").probability
    sd = plus_minus / 2
    # The result states lengths to 0.001 mm, and the chance is that of the lengths it states.
    assert given_ == pytest.approx(norm.cdf(most, wobble, sd), abs=0.002 / sd)


def test_positions_whose_difference_lies_within_its_plus_minus_cannot_be_told_apart() -> None:
    """Plus-minus 0.1 mm each: their difference is good to 0.141 mm."""
    best = found(tried(0.3, 0.44, 0.45, 0.3))
    assert (best.position, best.alike) == (1, (2, 4))
    assert best.advice == "By these readings positions 2 and 4 are no worse than position 1."


def test_positions_that_were_not_tried_are_named_and_tried_where_it_matters() -> None:
    assert found(tried(0.4, 0.9)).advice == "Good enough to leave; positions 3 and 4 are not tried."
    assert (
        found(tried(0.9, 1.2, 1.5)).advice
        == "Try the arm on the other faces of the square too: position 4 is not tried."
    )
    assert found(tried(1.9, 2.2, 2.5, 2.9)).advice.startswith("No position runs true")


def test_run_out_that_nobody_looked_at_is_not_measured_and_fails_nothing() -> None:
    result = tried()
    assert not result.run_out
    assert check(result, "run_out").state == "not_measured"
    assert result.outcome == "passed"


def test_run_out_alone_asks_for_no_other_spindle() -> None:
    result = tried(1.9, 2.2, 2.5, 2.9)
    assert result.outcome == "missed"
    assert not result.next_spindle
    assert not result.spacer
