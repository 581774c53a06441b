"""Clearances: what moves with the arms, which way, and how likely it clears."""

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from cotterline.bench.quantity import COVERAGE, Length
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.clearance import SUBJECTS, Clearance, Subject
from cotterline.bench.spindle.crank import ERRORS
from tests.bench.formulas import check_steps
from tests.bench.spindle_cases import answer_to, at_length, cotter_question, pair_question

GAUGE = {"tool": "caliper"}


def verdict(subject: Subject, length: float, around: dict[str, Any], unit: dict[str, Any] | None = None) -> Clearance:
    """What is said of one subject with a crank at 43 mm on 113 mm, on a spindle of ``length``."""
    result = answer_to(pair_question(113, 43, 43, surroundings=around, unit=unit or {}))
    check_steps(result.derivation or ())
    return at_length(result, length).clearances[SUBJECTS.index(subject)]


def number(length: Length | msgspec.UnsetType) -> float:
    assert isinstance(length, Length)
    return length.value


@pytest.mark.parametrize(
    ("subject", "around"),
    [
        ("ring_to_chainstay", {"ring": {"gap": {"value": 6}}}),
        ("drive_arm_to_chainstay", {"drive_arm": {"gap": {"value": 6}}}),
        ("non_drive_arm_to_chainstay", {"non_drive_arm": {"value": 6}}),
    ],
)
def test_a_gap_opens_by_half_of_what_the_spindle_gains(subject: Subject, around: dict[str, Any]) -> None:
    assert number(verdict(subject, 113, around).predicted) == 6
    assert number(verdict(subject, 119, around).predicted) == 9
    assert number(verdict(subject, 107, around).predicted) == 3


@pytest.mark.parametrize(
    ("unit", "right", "left"),
    [
        ({"spacer_mm": 2}, 8, 4),
        ({"spacer_mm": 2, "seat": "left"}, 4, 8),
        ({"asymmetry_mm": 4}, 8, 4),
        ({"taper": "iso"}, 1.5, 1.5),
    ],
)
def test_what_moves_the_unit_sideways_gives_to_one_arm_and_takes_from_the_other(
    unit: dict[str, Any], right: float, left: float
) -> None:
    """A taper of the other standard moves both alike: by 4.5 mm a side, published convention."""
    around = {"drive_arm": {"gap": {"value": 6}}, "non_drive_arm": {"value": 6}}
    assert number(verdict("drive_arm_to_chainstay", 113, around, unit).predicted) == right
    assert number(verdict("non_drive_arm_to_chainstay", 113, around, unit).predicted) == left


def test_a_gap_read_at_another_chain_line_is_carried_over_from_there() -> None:
    there = {"method": "measured_chain_line", "chain_line": {"value": 40}}
    around = {"ring": {"gap": {"value": 4}, "chain_line": there}}
    assert number(verdict("ring_to_chainstay", 113, around).predicted) == 7


def test_a_gap_read_on_the_old_crank_shares_the_error_of_the_old_chain_line() -> None:
    """Against the uncertainties package: the old chain line is target, reference and place of the gap at once."""
    old = {"method": "measured_chain_line", "chain_line": {"value": 42}}
    result = answer_to(cotter_question(113, 42, surroundings={"ring": {"gap": {"value": 8}, "chain_line": old}}))
    line, cotters = ufloat(42, 0.5), ufloat(113, 0.5) + ufloat(0, ERRORS.untried_crank.sd)
    made = (
        ufloat(0, ERRORS.length_tolerance.sd) / 2 + ufloat(0, ERRORS.seating_depth.sd) + ufloat(0, ERRORS.unit_seat.sd)
    )
    gap = ufloat(8, 0.5) + (line + (115 - cotters) / 2 + made) - line
    predicted = at_length(result, 115).clearances[0].predicted
    assert isinstance(predicted, Length)
    assert predicted.value == pytest.approx(gap.nominal_value)
    assert predicted.plus_minus == pytest.approx(COVERAGE * gap.std_dev, abs=1e-3)


@given(st.floats(0, 20), st.sampled_from([107, 110, 113, 115, 118]))
def test_the_chance_to_clear_agrees_with_scipy(gap: float, length: float) -> None:
    outcome = verdict("drive_arm_to_chainstay", length, {"drive_arm": {"gap": {"value": gap}}})
    assert isinstance(outcome.margin, Length)
    made = (
        ufloat(0, ERRORS.length_tolerance.sd) / 2 + ufloat(0, ERRORS.seating_depth.sd) + ufloat(0, ERRORS.unit_seat.sd)
    )
    margin = ufloat(gap, 0.5) - ufloat(113, 0.5) / 2 + made + length / 2 - ShopSettings().arm_clearance_mm
    assert outcome.probability_clear == pytest.approx(norm.sf(0, margin.nominal_value, margin.std_dev), abs=1e-6)
    assert (outcome.state == "clear") == (margin.nominal_value >= 0)


def test_a_ring_needs_what_the_shop_sets_and_never_under_3_mm() -> None:
    """3 mm at least and 5 for square tapers: common practice, no source."""
    around = {"ring": {"gap": {"value": 4}}}
    strict = verdict("ring_to_chainstay", 113, around)
    assert (strict.state, number(strict.least), number(strict.margin)) == ("foul", 5, -1)
    lax = answer_to(pair_question(113, 43, 43, surroundings=around), ShopSettings(chainstay_clearance_mm=3))
    assert at_length(lax, 113).clearances[0].state == "clear"
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"chainstay_clearance_mm": 2.9}, ShopSettings)


@pytest.mark.parametrize(
    ("length", "state", "margin"), [(107, "foul", -1), (113, "clear", 2), (119, "clear", 2), (124, "foul", -0.5)]
)
def test_a_derailleur_serves_the_chain_lines_between_its_limits(length: float, state: str, margin: float) -> None:
    around = {"derailleur": {"lowest": {"value": 41} | GAUGE, "highest": {"value": 48} | GAUGE}}
    outcome = verdict("chain_line_in_derailleur_reach", length, around)
    assert (outcome.state, number(outcome.margin)) == (state, margin)


@given(st.floats(36, 46), st.floats(0.5, 10))
def test_the_chance_within_the_derailleurs_reach_agrees_with_scipy(lowest: float, span: float) -> None:
    """Common practice, no source, that a cage has such limits; the chance is that of neither being passed."""
    around = {"derailleur": {"lowest": {"value": lowest}, "highest": {"value": lowest + span}}}
    outcome = verdict("chain_line_in_derailleur_reach", 113, around)
    assert isinstance(outcome.predicted, Length)
    assert isinstance(outcome.predicted.plus_minus, float)
    spread = (outcome.predicted.plus_minus**2 / 4 + 0.25) ** 0.5
    low, high = norm.cdf(lowest, 43, spread), norm.sf(lowest + span, 43, spread)
    assert outcome.probability_clear == pytest.approx(max(0.0, 1 - low - high), abs=1e-3)


def test_what_was_not_measured_is_said_and_fouls_nothing() -> None:
    result = answer_to(pair_question(113, 43, 43))
    assert {item.state for option in result.options for item in option.clearances} == {"not_measured"}
    assert not any(option.fouls for option in result.options)
    assert "clearance-not-measured" in {caution.code for caution in result.cautions}
