"""The next spindle, told from the measured chain line."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from cotterline.bench.fit.result import FitResult, NextSpindle
from cotterline.bench.quantity import COVERAGE
from cotterline.bench.spindle.crank import ERRORS
from tests.bench.fit_cases import codes, fit_report, following, judged, line, spacer, stocked
from tests.bench.spindle_cases import cotter_question, pair_question


def next_of(result: FitResult) -> NextSpindle:
    assert isinstance(result.next_spindle, NextSpindle)
    return result.next_spindle


@given(
    st.floats(36, 52),
    st.sampled_from((107.0, 113.0, 122.5)),
    st.fixed_dictionaries(
        {"taper": st.sampled_from(("jis", "iso")), "seat": st.sampled_from(("right", "left"))},
        optional={"asymmetry_mm": st.floats(-6, 6), "spacer_mm": st.floats(0, 4), "facing_mm": st.floats(0, 1)},
    ),
)
def test_the_rings_move_by_half_of_what_the_spindle_gains_however_it_is_seated(
    at: float, length: float, unit: dict[str, Any]
) -> None:
    result = judged(pair_question(113, 43, 43, unit=unit), fit_report(line(at)), (length,))
    if isinstance(result.next_spindle, NextSpindle):
        option = result.next_spindle.option
        gained = option.spindle_length.value - length
        assert option.chain_line.value == pytest.approx(at + gained / 2, abs=1e-3)
        assert option.tread_change.value == pytest.approx(gained, abs=1e-3)
        assert abs(option.residual.value) < max(abs(at - 43), 1.5)


def test_the_measured_error_counts_and_the_old_guess_no_longer_does() -> None:
    """Cotters said 113; measured on it the rings stand 5 mm too far out, so 103 it is."""
    result = judged(cotter_question(113, 42), fit_report(line(47)), (113,), stocked(103, 107, 110, 113))
    assert following(result).spindle_length.value == 103
    assert following(result).chain_line.value == 42


def test_its_spread_is_the_rulers_two_lengths_and_two_seatings() -> None:
    """What nobody knows of the unit's seat is in the measurement, and cancels."""
    half, depth = ERRORS.length_tolerance.sd / 2, ERRORS.seating_depth.sd
    expected = sum(ufloat(0, each) for each in (0.5, half, half, depth, depth))
    assert following(judged(pair_question(113, 43, 43), fit_report(line(47)))).chain_line.plus_minus == pytest.approx(
        COVERAGE * expected.s, abs=6e-4
    )


def test_the_fitted_length_is_never_the_next_one() -> None:
    result = judged(pair_question(113, 43, 43), fit_report(line(47)), settings=stocked(113))
    assert not result.next_spindle
    assert "no-better-length" in codes(result)


@pytest.mark.parametrize("same", [112.96, 113.04])
def test_the_fitted_length_is_itself_however_it_was_rounded(same: float) -> None:
    """One of the two would come 0.02 mm nearer."""
    result = judged(pair_question(113, 43, 43), fit_report(line(45), spindle_length_mm=same), settings=stocked(113))
    assert not result.next_spindle
    assert "length-not-ordered" not in codes(result)


def test_a_length_that_comes_no_nearer_is_not_worth_an_order() -> None:
    result = judged(pair_question(113, 43, 43), fit_report(line(45)), settings=stocked(105, 113, 119))
    assert not result.next_spindle


def test_a_length_that_was_ordered_too_is_at_hand_even_where_the_shop_stocks_it_not() -> None:
    asked, report = pair_question(113, 43, 43), fit_report(line(46), spindle_length_mm=113)
    assert not next_of(judged(asked, report, (113,), stocked(107, 113))).at_hand
    both = next_of(judged(asked, report, (113, 107), stocked(110, 113)))
    assert (both.at_hand, both.option.spindle_length.value) == (True, 107)


def test_a_length_that_would_touch_is_not_next() -> None:
    gaps = {"ring": {"value": 6}}
    settings = stocked(107, 110, 113)
    result = judged(pair_question(113, 43, 43), fit_report(line(46), gaps=gaps), settings=settings)
    assert not result.next_spindle
    assert not result.spacer
    roomy = judged(pair_question(113, 43, 43), fit_report(line(46), gaps={"ring": {"value": 8}}), settings=settings)
    assert following(roomy).spindle_length.value == 107


def test_a_gap_that_fouls_asks_for_a_length_that_clears_within_the_tolerance() -> None:
    gaps = {"ring": {"value": 4.5}}
    result = judged(pair_question(113, 43, 43), fit_report(line(43), gaps=gaps), settings=stocked(110, 113, 115, 118))
    assert following(result).spindle_length.value == 115
    assert following(result).clearances[0].state == "clear"
    assert spacer(result).change.value == 0.5


def test_the_taper_stays_as_it_was_fitted() -> None:
    """An ISO crank on a JIS spindle was measured on that spindle: its shift is in the measurement."""
    unit = {"taper": "jis"}
    asked = pair_question(119, 43, 43, crank={"taper": "iso"}, unit=unit)
    result = judged(asked, fit_report(line(46)), (119,), stocked(113, 119))
    assert (following(result).chain_line.value, following(result).tread_change.value) == (43, -6)


def test_what_it_takes_for_granted_is_told_beside_it() -> None:
    missed = judged(cotter_question(113, 42), fit_report(line(47)))
    assert {"taper-assumed", "clearance-not-measured"} <= codes(missed)
    passed = judged(cotter_question(113, 42), fit_report(line(42)))
    assert not codes(passed) & {"taper-assumed", "clearance-not-measured", "no-better-length"}
