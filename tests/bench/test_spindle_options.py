"""Spindle options against published cases, and the laws they must keep."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import COVERAGE, Length
from cotterline.bench.shop import ShopSettings, StockedLengths
from cotterline.bench.spindle.crank import ERRORS
from cotterline.bench.spindle.order_policy import OrderAdvice
from cotterline.bench.spindle.question import ShellForSpindle, SpindleRequest
from cotterline.bench.spindle_options import SpindleOption, SpindleResult, options, rank
from tests.bench.formulas import check_steps
from tests.bench.spindle_cases import ENGLISH_68, answer_to, at_length, cotter_question, pair_question, question

LENGTHS = st.floats(95, 175)
LINES = st.floats(35, 55)
UNITS = st.fixed_dictionaries(
    {},
    optional={
        "asymmetry_mm": st.floats(-10, 10),
        "spacer_mm": st.floats(0, 8),
        "facing_mm": st.floats(0, 2),
        "seat": st.sampled_from(["right", "left"]),
        "unit_width_mm": st.sampled_from([68, 73]),
        "taper": st.sampled_from(["iso", "jis"]),
    },
)


def sd(length: Length) -> float:
    assert isinstance(length.plus_minus, float)
    return length.plus_minus / COVERAGE


def codes(result: SpindleResult) -> set[str]:
    return {caution.code for caution in result.cautions}


# Published cases


def test_a_crank_2_5_mm_too_far_out_needs_a_spindle_5_mm_shorter() -> None:
    """rennrad-news.de, thread 175039: 122 mm at 46, wanted 43.5: "5 shorter, not 2.5"."""
    result = answer_to(pair_question(122, 46, 43.5))
    assert result.exact_length.value == 117
    step = next(step for step in check_steps(result.derivation or ()) if step.name == "exact spindle length")
    assert (step.inputs["reference_length"], step.inputs["reference"], step.inputs["target"]) == (122, 46, 43.5)


def test_the_worked_example_of_readings_from_both_sides_of_the_tube_gives_its_spindle() -> None:
    """mechalog, 2021: B 34.1 and A 70.9 on a 126 mm spindle are 52.5; for 47.5 it takes 116."""
    both = {"method": "both_sides_of_tube", "far": {"value": 70.9}, "near": {"value": 34.1}}
    result = answer_to(pair_question(126, 0, 47.5, crank={"chain_line": both}))
    assert result.baseline.chain_line.value == pytest.approx(52.5, abs=1e-9)
    assert result.exact_length.value == pytest.approx(116, abs=1e-9)
    assert result.first.spindle_length.value == 116


@pytest.mark.parametrize(("known", "line", "wanted", "length"), [(113, 47.5, 50, 118), (118, 50, 47.5, 113)])
def test_one_crank_stands_at_47_5_on_113_and_at_50_on_118(
    known: float, line: float, wanted: float, length: float
) -> None:
    """Common practice, no source: the two spindles one off-road triple is sold with."""
    assert answer_to(pair_question(known, line, wanted)).first.spindle_length.value == length


def test_a_cotter_distance_of_113_with_the_old_chain_line_kept_asks_for_a_113_spindle() -> None:
    """Common practice, no source; measured after fitting it was 43 for 42, accepted as within 1 to 2 mm."""
    result = answer_to(cotter_question(113, 42))
    assert result.exact_length.value == 113
    assert result.first.spindle_length.value == 113
    assert (result.next_shorter, result.next_longer) == (at_length(result, 110), at_length(result, 115))
    assert abs(43 - result.first.chain_line.value) <= 2
    assert {"crank-untried", "taper-assumed"} <= codes(result)


def test_the_same_case_by_its_inner_ring_asks_for_the_same_spindle() -> None:
    """Common practice, no source: 36.5 at the inner ring where midway is 42; 37 was measured after fitting."""
    inner = {"chain_line": {"method": "measured_chain_line", "chain_line": {"value": 36.5}}, "ring": "inner"}
    rings = {"rings": 2, "ring_spacing": {"value": 11, "tool": "caliper"}}
    result = answer_to(pair_question(113, 0, 42, crank=inner | rings))
    assert result.baseline.chain_line.value == 42
    assert result.first.spindle_length.value == 113


def test_a_13_mm_error_takes_26_mm_of_symmetric_spindle() -> None:
    """bikeforums.net, thread 897939."""
    result = answer_to(pair_question(122, 56, 43))
    assert 122 - result.exact_length.value == 26


@pytest.mark.parametrize(("convention", "length"), [("published", 110.0), ("geometry", 115.277)])
def test_an_iso_crank_drawn_for_119_iso_takes_a_shorter_jis_spindle(convention: str, length: float) -> None:
    """4.5 mm a side by the published convention, 0.13 mm over two 2 degree flats by geometry."""
    settings = msgspec.convert({"taper_convention": convention}, ShopSettings)
    asked = pair_question(119, 43.5, 43.5, crank={"taper": "iso"}, unit={"taper": "jis"})
    result = answer_to(asked, settings)
    assert result.exact_length.value == pytest.approx(length, abs=0.001)
    shift = result.taper_shift
    assert not isinstance(shift, msgspec.UnsetType)
    assert (shift.published.value, shift.geometry_lowest.value) == (4.5, 1.861)
    assert "taper-mismatch" in codes(result)
    assert "taper convention" in {part.source for part in result.budget}


# Oracles


def test_the_error_of_readings_used_twice_cancels_as_in_the_uncertainties_package() -> None:
    """The old chain line is both the target and the reference of a cotter distance."""
    old, cotters, untried = ufloat(42, 0.5), ufloat(113, 0.5), ufloat(0, ERRORS.untried_crank.sd)
    made = ufloat(0, ERRORS.length_tolerance.sd) / 2 + ufloat(0, ERRORS.seating_depth.sd)
    line = old + (116 - cotters - untried) / 2 + made + ufloat(0, ERRORS.unit_seat.sd)
    option = at_length(answer_to(cotter_question(113, 42)), 116)
    assert sd(option.chain_line) == pytest.approx(line.std_dev, abs=1e-3)
    assert sd(option.residual) == pytest.approx((line - old).std_dev, abs=1e-3)
    assert sd(option.residual) < sd(option.chain_line)


def test_equal_readings_of_two_different_things_do_not_cancel() -> None:
    """A crank's own reference at 42 and a stated target of 42 are two readings."""
    result = answer_to(pair_question(113, 42, 42))
    target, reference = ufloat(42, 0.5), ufloat(42, 0.5) - ufloat(113, 0.5) / 2
    made = ufloat(0, ERRORS.length_tolerance.sd) / 2 + ufloat(0, ERRORS.unit_seat.sd)
    seated = ufloat(0, ERRORS.seating_depth.sd) + ufloat(0, ERRORS.seating_depth.sd)
    assert sd(result.first.residual) == pytest.approx((reference + made + seated - target).std_dev, abs=1e-3)


@given(LENGTHS, LINES, LINES, st.floats(0.25, 5))
def test_the_chance_of_landing_agrees_with_scipy(length: float, line: float, target: float, tolerance: float) -> None:
    result = answer_to(pair_question(length, line, target), ShopSettings(chain_line_tolerance_mm=tolerance))
    made = (ERRORS.length_tolerance.sd / 2, ERRORS.unit_seat.sd, ERRORS.seating_depth.sd, ERRORS.seating_depth.sd)
    read = (0.5, 0.5, 0.5 / 2)
    spread = norm(scale=math.hypot(*made, *read))
    for option in result.options:
        residual = line + (option.spindle_length.value - length) / 2 - target
        expected = spread.cdf(tolerance - residual) - spread.cdf(-tolerance - residual)
        assert option.probability_within == pytest.approx(expected, abs=1e-6)


# Laws


@given(LENGTHS, LINES, LINES, st.floats(-10, 10), UNITS)
def test_the_exact_length_lands_on_the_target_whatever_seat_and_asymmetry(
    length: float, line: float, target: float, asymmetry: float, unit: dict[str, Any]
) -> None:
    asked = pair_question(length, line, target, crank={"asymmetry_mm": asymmetry}, unit=unit)
    exact = answer_to(asked).exact_length.value
    if 90 <= exact <= 180:
        made_for = unit.get("unit_width_mm", 68)
        stocked = ShopSettings(stocked_lengths=(StockedLengths(shell_width=made_for, lengths=(exact,)),))
        assert answer_to(asked, stocked).first.residual.value == pytest.approx(0, abs=0.001)


@given(LENGTHS, LINES, LINES)
def test_two_mm_of_length_are_one_mm_of_chain_line_and_two_of_tread(length: float, line: float, target: float) -> None:
    result = answer_to(pair_question(length, line, target))
    longer, shorter = at_length(result, 118), at_length(result, 116)
    assert longer.chain_line.value - shorter.chain_line.value == pytest.approx(1, abs=0.0011)
    assert longer.tread_change.value - shorter.tread_change.value == pytest.approx(2, abs=0.0011)
    assert longer.tread_change.value == pytest.approx(118 - length, abs=0.0006)


@given(LENGTHS, LINES, LINES, st.floats(0.25, 4.9), st.floats(0, 2))
def test_a_wider_tolerance_never_lowers_a_chance(
    length: float, line: float, target: float, tolerance: float, wider: float
) -> None:
    asked = pair_question(length, line, target)
    strict = answer_to(asked, ShopSettings(chain_line_tolerance_mm=tolerance))
    lax = answer_to(asked, ShopSettings(chain_line_tolerance_mm=min(5.0, tolerance + wider)))
    for option in strict.options:
        assert at_length(lax, option.spindle_length.value).probability_within >= option.probability_within


@given(LENGTHS, LINES, LINES, st.floats(0, 20))
def test_nothing_that_fouls_or_is_less_likely_stands_before_what_clears(
    length: float, line: float, target: float, gap: float
) -> None:
    result = answer_to(pair_question(length, line, target, surroundings={"ring": {"gap": {"value": gap}}}))
    keys = [(option.fouls, -option.probability_within) for option in result.options]
    assert keys == sorted(keys)
    lengths = sorted(option.spindle_length.value for option in result.options)
    at = lengths.index(result.first.spindle_length.value)
    beside = [item.spindle_length.value for item in (result.next_shorter, result.next_longer) if item]
    assert beside == lengths[max(0, at - 1) : at] + lengths[at + 1 : at + 2]


@given(st.floats(95, 175), LINES)
def test_inches_and_millimetres_give_the_same_answer(length: float, line: float) -> None:
    inches = {"spindle_length": {"value": length / 25.4, "unit": "in"}}
    metric = answer_to(pair_question(length, line, 43.5))
    assert answer_to(pair_question(length, line, 43.5, crank=inches)).exact_length.value == pytest.approx(
        metric.exact_length.value, abs=0.0011
    )


@given(LENGTHS, LINES, LINES, st.sampled_from(["iso", "jis", "unknown"]), st.sampled_from(["iso", "jis"]))
def test_every_recorded_formula_gives_its_recorded_value(
    length: float, line: float, target: float, crank: str, unit: str
) -> None:
    asked = pair_question(
        length,
        line,
        target,
        crank={"taper": crank},
        unit={"taper": unit},
        surroundings={
            "ring": {"gap": {"value": 6}},
            "derailleur": {"lowest": {"value": 40}, "highest": {"value": 48}},
        },
        costs={"lead_days": 3},
    )
    names = {step.name for step in check_steps(answer_to(asked).derivation or ())}
    assert {"exact spindle length", "standard deviation of every residual", "ring_to_chainstay"} <= names


# What moves the unit, and what is not known


@pytest.mark.parametrize(
    ("unit", "moved"),
    [
        ({}, 0.0),
        ({"spacer_mm": 2}, 2.0),
        ({"spacer_mm": 2, "seat": "left"}, -2.0),
        ({"facing_mm": 0.5}, -0.5),
        ({"unit_width_mm": 68}, 2.5),
        ({"unit_width_mm": 68, "seat": "left"}, -2.5),
    ],
)
def test_the_unit_follows_the_face_it_is_drawn_against(unit: dict[str, Any], moved: float) -> None:
    """Common practice, no source: a 68 unit in a 73 shell seated right stands 2.5 mm further right."""
    shell = ShellForSpindle(family="iso_english", width=73)
    result = answer_to(pair_question(113, 47.5, 47.5, unit=unit), shell=shell)
    assert result.unit.moved.value == moved
    assert at_length(result, 113).chain_line.value == 47.5 + moved


def test_a_crank_never_tried_has_an_honestly_wide_spread() -> None:
    untried = answer_to(cotter_question(113, 42))
    measured = answer_to(pair_question(113, 42, 42))
    assert sd(untried.first.residual) > 2 * sd(measured.first.residual)
    assert untried.first.probability_within < 0.6
    assert untried.budget[0].source == "crank not yet tried"
    assert untried.budget[0].share > 0.9


def test_the_budget_is_the_whole_variance() -> None:
    result = answer_to(pair_question(119, 43.5, 43.5, crank={"taper": "iso"}, unit={"taper": "jis"}))
    assert sum(part.share for part in result.budget) == pytest.approx(1, abs=1e-5)
    assert math.hypot(*(part.plus_minus.value for part in result.budget)) == pytest.approx(
        2 * sd(result.first.residual), abs=0.002
    )


def test_a_crank_of_which_nothing_is_known_is_answered_by_what_to_measure() -> None:
    asked = question(target={"aim": "nominal", "kind": "track"}, crank={"known_by": "unknown"})
    with pytest.raises(CotterlineError) as refused:
        options(asked, ENGLISH_68, ShopSettings(), Trace(), "/spindle")
    assert refused.value.code == "measurement-missing"
    assert [fault.pointer for fault in refused.value.faults] == ["/spindle/crank"]


def test_a_reference_whose_taper_nobody_stated_widens_the_spread_and_says_so() -> None:
    stated, unstated = pair_question(113, 43, 43), pair_question(113, 43, 43, crank={"taper": "unknown"})
    assert sd(answer_to(unstated).first.residual) > sd(answer_to(stated).first.residual)
    assert {"reference-taper-unstated", "taper-assumed"} <= codes(answer_to(unstated))
    assert not {"reference-taper-unstated", "taper-assumed"} & codes(answer_to(stated))


def test_the_shops_own_lengths_replace_the_catalogue_for_that_width_alone() -> None:
    settings = ShopSettings(stocked_lengths=(StockedLengths(shell_width=68, lengths=(117.5, 111)),))
    result = answer_to(pair_question(122, 46, 43.5), settings)
    assert (result.ladder.origin, result.ladder.lengths) == ("shop", (111, 117.5))
    assert result.next_longer is msgspec.UNSET
    other = answer_to(pair_question(122, 46, 43.5), settings, ShellForSpindle(family="italian", width=70))
    assert other.ladder.origin == "catalogue"


def test_the_lengths_are_those_of_units_made_for_the_width_the_unit_is_made_for() -> None:
    """A 68 unit goes into a 70 shell of the 1970s: common practice, no source."""
    shell = ShellForSpindle(family="iso_english", width=70)
    plain = answer_to(pair_question(113, 43, 43), shell=shell)
    narrow = answer_to(pair_question(113, 43, 43, unit={"unit_width_mm": 68}), shell=shell)
    assert (plain.ladder.origin, narrow.ladder.origin) == ("general", "catalogue")
    assert narrow.ladder == answer_to(pair_question(113, 43, 43)).ladder


def test_when_every_length_fouls_no_order_is_advised() -> None:
    two = ShopSettings(stocked_lengths=(StockedLengths(shell_width=68, lengths=(110, 113)),))
    result = answer_to(pair_question(113, 43, 43, surroundings={"ring": {"gap": {"value": 0}}}), two)
    assert result.first.fouls
    assert result.order is msgspec.UNSET
    assert "every-length-fouls" in codes(result)


def test_a_likely_length_that_fouls_gives_way_to_the_next_that_clears() -> None:
    asked = pair_question(113, 43, 43, surroundings={"ring": {"gap": {"value": 4.5}}})
    result = answer_to(asked)
    assert at_length(result, 113).fouls
    assert result.first.spindle_length.value == 115
    assert isinstance(result.order, OrderAdvice)
    assert all(113 not in [length.value for length in policy.lengths] for policy in result.order.policies)


def test_a_target_out_of_the_ladders_reach_is_said() -> None:
    assert "none-within-tolerance" in codes(answer_to(pair_question(131, 43, 55)))


def test_a_shell_without_a_catalogue_row_gets_the_general_list_and_is_told_so() -> None:
    result = answer_to(pair_question(113, 43, 43), shell=ShellForSpindle(family="british_26", width=71))
    assert result.ladder.origin == "general"
    assert "shell-not-in-catalogue" in codes(result)


def test_a_rear_chain_line_can_be_the_target() -> None:
    """west5cycles, 2008: dropouts 120, sprocket 12 from the right: the rear stands at 48."""
    rear = {"method": "single_sprocket", "locknut_width": {"value": 120}, "to_sprocket": {"value": 12}}
    pair = {
        "known_by": "reference_pair",
        "taper": "jis",
        "spindle_length": {"value": 113},
        "chain_line": {"method": "measured_chain_line", "chain_line": {"value": 46}},
    }
    result = answer_to(question(target={"aim": "rear", "measurement": rear}, crank=pair))
    assert (result.target.value, result.exact_length.value) == (48, 117)
    assert result.assumptions


# The request

SILENT = Trace(wanted=False)


def request(**changes: Any) -> SpindleRequest:  # noqa: ANN401 - any field
    return msgspec.structs.replace(SpindleRequest(question=cotter_question(113, 42), shell=ENGLISH_68), **changes)


def test_the_answer_is_in_the_unit_of_its_settings_or_else_of_the_shop() -> None:
    shop = ShopSettings(units="in")
    assert rank(request(), shop, SILENT).first.spindle_length == Length(4.44882, "in")
    assert rank(request(settings=ShopSettings()), shop, SILENT).first.spindle_length == Length(113.0, "mm")


def test_the_derivation_comes_only_where_it_was_asked_for() -> None:
    assert rank(request(), ShopSettings(), SILENT).derivation is msgspec.UNSET
    assert check_steps(rank(request(), ShopSettings(), Trace()).derivation or ())


def test_the_same_request_gives_the_same_bytes() -> None:
    encode = msgspec.json.encode
    assert encode(rank(request(), ShopSettings(), Trace())) == encode(rank(request(), ShopSettings(), Trace()))


def test_options_keep_their_clearances_in_one_order() -> None:
    """A reader may rely on the order of subjects."""
    option: SpindleOption = answer_to(cotter_question(113, 42)).first
    assert [item.state for item in option.clearances] == ["not_measured"] * 4
