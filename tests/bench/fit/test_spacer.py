"""Whether a spacer under the flange would do instead of another spindle."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.fit.result import FitResult, SpacerInstead
from cotterline.bench.quantity import Length
from cotterline.bench.spindle.crank import ERRORS
from tests.bench.fit_cases import codes, fit_report, judged, line, spacer
from tests.bench.spindle_cases import pair_question

GAPS = {"ring": {"value": 12}, "drive_arm": {"value": 12}, "non_drive_arm": {"value": 12}}


def fitted_at(at: float, unit: dict[str, Any] | None = None, gaps: dict[str, Any] | None = None) -> FitResult:
    """A crank that shall come to 43 mm."""
    return judged(pair_question(113, 43, 43, unit=unit or {}), fit_report(line(at), gaps=gaps or GAPS))


def gap_after(found: SpacerInstead, which: int) -> float:
    length = found.clearances[which].predicted
    assert isinstance(length, Length)
    return length.value


@pytest.mark.parametrize(
    ("at", "unit", "change", "total"),
    [
        (41, {}, 2, 2),
        (41.3, {}, 1.5, 1.5),
        (41, {"spacer_mm": 0.5}, 2, 2.5),
        (41, {"spacer_mm": 2}, 1, 3),
        (45, {"spacer_mm": 2.5}, -2, 0.5),
        (45, {"spacer_mm": 1}, -1, 0),
        (45, {"seat": "left"}, 2, 2),
        (41, {"seat": "left", "spacer_mm": 2}, -2, 0),
    ],
)
def test_what_brings_the_rings_nearest_in_half_millimetres(
    at: float, unit: dict[str, Any], change: float, total: float
) -> None:
    found = spacer(fitted_at(at, unit))
    assert (found.change.value, found.total.value) == (change, total)
    assert found.seat == unit.get("seat", "right")


@pytest.mark.parametrize(
    ("at", "unit"),
    [
        (45, {}),
        (41, {"seat": "left"}),
        (38, {}),
        (41, {"spacer_mm": 3}),
        (41, {"spacer_mm": 8}),
    ],
)
def test_none_where_nothing_lands_or_no_more_may_go_under(at: float, unit: dict[str, Any]) -> None:
    assert not fitted_at(at, unit).spacer


def test_more_than_is_usual_may_still_come_out() -> None:
    assert spacer(fitted_at(48, {"spacer_mm": 5})).change.value == -5


@given(st.floats(37, 49), st.floats(0, 4), st.sampled_from(("right", "left")))
def test_a_spacer_never_moves_the_tread(at: float, there: float, seat: str) -> None:
    """Both arms move together: what the right one gains the left one loses."""
    result = fitted_at(at, {"spacer_mm": there, "seat": seat})
    if isinstance(result.spacer, SpacerInstead):
        found = result.spacer
        side = 1 if seat == "right" else -1
        assert found.tread_change.value == 0
        assert gap_after(found, 0) + gap_after(found, 2) == pytest.approx(24, abs=2e-3)
        assert found.chain_line.value == pytest.approx(at + side * found.change.value, abs=2e-3)
        assert found.change.value % PRACTICE.spacer.step_mm == 0
        assert -1e-6 <= found.total.value <= max(PRACTICE.spacer.most_mm, there) + 1e-6
        assert "spacer-takes-thread" in codes(result)


def test_the_left_arm_moves_in_by_as_much_and_may_touch() -> None:
    assert gap_after(spacer(fitted_at(41)), 2) == 10
    assert spacer(fitted_at(41, gaps={"non_drive_arm": {"value": 4.5}})).change.value == 1.5
    assert not fitted_at(41, gaps={"non_drive_arm": {"value": 3.2}}).spacer


def test_its_chance_is_scipys_with_the_arms_seated_once_more() -> None:
    found = spacer(fitted_at(41.2))
    residual, sd = 41.2 + found.change.value - 43, (0.5**2 + 0.5**2 + ERRORS.seating_depth.sd**2) ** 0.5
    expected = norm.cdf(1.5, residual, sd) - norm.cdf(-1.5, residual, sd)
    assert found.probability_within == pytest.approx(expected, abs=1e-6)


def test_the_summary_says_how_much_and_on_which_side() -> None:
    assert (
        "2 mm more spacer under the right flange would do instead: predicted chain line 43 mm." in fitted_at(41).summary
    )
    assert "1 mm less spacer under the right flange" in fitted_at(45, {"spacer_mm": 1}).summary
