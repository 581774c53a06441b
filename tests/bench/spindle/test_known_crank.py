"""A crank by what the request says and by what fit reports say: together, and each where it stands alone."""

import math
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.fitting import fitting_of
from cotterline.bench.quantity import COVERAGE, Length, Reading
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.crank import ERRORS, ReferencePair
from cotterline.bench.spindle.known_crank import LearnedCrank
from cotterline.bench.spindle.offset import Kind, OffsetReport
from cotterline.bench.spindle.question import SpindleQuestion, SpindleRequest
from cotterline.bench.spindle_options import SpindleResult, options, rank
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED
from tests.bench.formulas import check_steps
from tests.bench.spindle.offset_cases import STEEL, learned, report
from tests.bench.spindle_cases import ENGLISH_68, at_length, cotter_question, measured, pair_question, question

SEEN = [report(-14.2), report(-13.8), report(-14.1)]
NEW_SPINDLE = math.hypot(ERRORS.length_tolerance.sd / 2, ERRORS.seating_depth.sd, ERRORS.unit_seat.sd)
NOMINAL = {"aim": "nominal", "kind": "track"}
"""42 mm with a plus-minus of 1."""


def answer(asked: SpindleQuestion, reports: list[OffsetReport], settings: ShopSettings | None = None) -> SpindleResult:
    trace = Trace()
    result = options(asked, ENGLISH_68, settings or ShopSettings(), trace, offsets=reports)
    check_steps(trace.steps)
    return result


def cottered(model: str | None = STEEL, **others: Any) -> SpindleQuestion:  # noqa: ANN401 - any part of a question
    asked = cotter_question(113, 42, **others)
    return msgspec.structs.replace(asked, crank=msgspec.structs.replace(asked.crank, model=model or UNSET, taper="jis"))


def only_named(model: str | None = STEEL, *, rings: int = 1, **others: Any) -> SpindleQuestion:  # noqa: ANN401 - as above
    crank = {"known_by": "unknown", "rings": rings} | ({"model": model} if model else {})
    return question(target=NOMINAL, crank=crank, **others)


def paired(**crank: Any) -> SpindleQuestion:  # noqa: ANN401 - as above
    return pair_question(113, 43, 42, crank={"model": STEEL} | crank)


def keeping(line: float) -> OldChainLine:
    return OldChainLine(measurement=measured(line))


def stays(length: float) -> ReferencePair:
    """A crank that keeps its line, on the spindle that comes out."""
    return ReferencePair(model=STEEL, taper="jis", spindle_length=Reading(value=length, tool="caliper"))


def told(result: SpindleResult) -> LearnedCrank:
    assert isinstance(result.learned, LearnedCrank)
    return result.learned


def sd(length: Length) -> float:
    assert isinstance(length.plus_minus, float)
    return length.plus_minus / COVERAGE


def codes(result: SpindleResult) -> set[str]:
    return {caution.code for caution in result.cautions}


# Nothing learned


@pytest.mark.parametrize("asked", [cottered(), cottered(None), paired(), paired(taper="iso")])
def test_reports_of_other_kinds_change_nothing(asked: SpindleQuestion) -> None:
    others = [report(-9, kind=Kind(2, "jis")), report(-9, "Alloy", kind=Kind(3, "iso"))]
    assert answer(asked, others) == answer(asked, [])
    assert answer(asked, []).learned is UNSET


@pytest.mark.parametrize(("asked", "reports"), [(only_named(), []), (only_named(None, unit={"taper": "jis"}), SEEN)])
def test_a_crank_nothing_is_known_of_stays_a_question(asked: SpindleQuestion, reports: list[OffsetReport]) -> None:
    with pytest.raises(CotterlineError) as refused:
        answer(asked, reports)
    assert refused.value.code == "measurement-missing"


# Taken together


LINES = st.floats(38, 48)


@given(LINES, LINES, st.lists(st.floats(-17, -11), min_size=1, max_size=6), st.sampled_from([0.3, 1.0, 3.0]))
def test_the_shares_are_those_of_generalised_least_squares(
    line: float, goal: float, offsets: list[float], plus_minus: float
) -> None:
    """Two estimates of one residual with covariance S: weights inv(S) 1 / (1' inv(S) 1), computed apart with numpy."""
    asked = pair_question(
        113, line, goal, crank={"model": STEEL, "spindle_length": {"value": 113, "plus_minus": plus_minus}}
    )
    reports = [report(offset) for offset in offsets]
    result = answer(asked, reports)
    offset = learned(reports).offset
    aim = 0.5**2
    request = 0.5**2 + (plus_minus / 4) ** 2 + ERRORS.seating_depth.sd**2
    covariance = np.array([[request + aim, aim], [aim, offset.sd**2 + aim]])
    weights = np.linalg.solve(covariance, np.ones(2))
    weights /= weights.sum()
    assert told(result).request_share == pytest.approx(weights[0], abs=1e-6)
    first = at_length(result, 113)
    value = weights @ np.array([line - 56.5, offset.mean]) + 56.5
    assert first.chain_line.value == pytest.approx(value, abs=0.001)
    expected = math.sqrt(weights @ covariance @ weights + NEW_SPINDLE**2)
    assert sd(first.residual) == pytest.approx(expected, abs=0.001)


@given(st.floats(105, 122), LINES, st.lists(st.floats(-20, -6), min_size=1, max_size=6), st.booleans())
def test_reports_never_widen_a_prediction_not_even_where_the_old_line_is_the_target(
    length: float,
    line: float,
    offsets: list[float],
    kept: bool,  # noqa: FBT001 - a drawn case
) -> None:
    aim, crank = keeping(line), stays(length) if kept else cottered().crank
    asked = SpindleQuestion(target=aim, crank=crank)
    with_reports, without = answer(asked, [report(offset) for offset in offsets]), answer(asked, [])
    assert sd(with_reports.first.residual) <= sd(without.first.residual) + 0.0005
    found = told(with_reports)
    assert found.plus_minus.value <= without.first.chain_line.plus_minus + 0.001  # type: ignore[operator]
    assert found.plus_minus_without == Length(without.first.chain_line.plus_minus)  # type: ignore[arg-type]


def test_a_unit_replaced_under_a_crank_that_keeps_its_line_goes_by_its_own_spindle() -> None:
    """The old line is target and reference: its reading cancels, and reports have next to nothing to add."""
    result = answer(SpindleQuestion(target=keeping(44), crank=stays(113)), SEEN * 20)
    assert told(result).request_share > 0.7
    assert result.first.spindle_length.value == 113


def test_the_published_cottered_bicycle_profits_from_the_crank_that_was_fitted_to_it() -> None:
    """113 between the cotters and a target of 42 were fitted with 113 and came to 43: the next one is told 110 or 111.

    Common practice, no source.
    """
    before, after = answer(cottered(), []), answer(cottered(), [report(43 - 113 / 2)] * 3)
    assert (before.first.spindle_length.value, after.first.spindle_length.value) == (113, 110)
    found = told(after)
    assert isinstance(found.narrower_by, Length)
    assert sd(before.first.residual) - sd(after.first.residual) > 1
    narrower = sd(before.first.chain_line) - sd(after.first.chain_line)
    assert found.narrower_by.value == pytest.approx(2 * narrower, abs=2e-3)
    assert "crank-untried" in codes(before)
    assert "crank-untried" not in codes(after)


def test_other_cranks_of_the_kind_help_a_guess_and_leave_the_caution() -> None:
    kind = [report(-13 + each, f"Alloy {each}") for each in (-1.5, -0.5, 0.5, 1.5)]
    result = answer(cottered(None), kind)
    assert 0.2 < told(result).request_share < 0.6
    assert told(result).evidence.kind_cranks == 4
    assert told(result).evidence.reports == ()
    assert "crank-untried" in codes(result)
    assert sd(result.first.residual) < sd(answer(cottered(None), []).first.residual)


def test_a_request_that_contradicts_the_reports_is_told_so() -> None:
    assert "reports-disagree" not in codes(answer(paired(), [report(-13.5)] * 4))
    assert "reports-disagree" in codes(answer(paired(spindle_length={"value": 123}), [report(-13.5)] * 4))


def test_one_report_that_cannot_be_right_does_not_move_the_first_choice() -> None:
    good = answer(cottered(), [*SEEN, report(-13.9)])
    spoilt = answer(cottered(), [*SEEN, report(-13.9), report(-27)])
    assert spoilt.first.spindle_length == good.first.spindle_length
    assert min(each.weight for each in told(spoilt).evidence.reports) < 0.01


# Known by reports alone


def test_a_crank_named_by_what_was_reported_needs_no_measurement() -> None:
    result = answer(only_named(), SEEN)
    offset = learned(SEEN).offset
    assert result.baseline.what == "fit reports"
    assert result.first.chain_line.value == pytest.approx(
        offset.mean + result.first.spindle_length.value / 2, abs=0.001
    )
    assert sd(result.first.chain_line) == pytest.approx(math.hypot(offset.sd, NEW_SPINDLE), abs=0.001)
    assert (told(result).request_share, told(result).plus_minus_without) == (0, UNSET)
    assert (result.unit.taper, result.unit.taper_from) == ("jis", "crank")
    assert not {"crank-untried", "crank-only-by-kind", "taper-assumed"} & codes(result)


def test_a_crank_that_was_fitted_with_other_rings_says_with_how_many() -> None:
    with pytest.raises(CotterlineError) as refused:
        answer(only_named(rings=3), [report(-11, kind=Kind(2, "jis"))])
    (fault,) = refused.value.faults
    assert (refused.value.code, fault.pointer) == ("measurement-missing", "/crank/rings")
    assert "with 2 rings; the request says 3" in fault.detail


def test_one_known_only_by_its_kind_says_so_and_is_wide() -> None:
    result = answer(only_named("Never seen", unit={"taper": "jis"}), SEEN)
    assert "crank-only-by-kind" in codes(result)
    assert sd(result.first.chain_line) > 1.5
    with pytest.raises(CotterlineError):
        answer(only_named("Never seen"), SEEN)


def test_a_gap_needs_the_chain_line_it_was_read_at_where_no_spindle_is_the_reference() -> None:
    gap = {"gap": {"value": 8}}
    around = {"ring": gap, "drive_arm": gap, "non_drive_arm": {"value": 9}}
    with pytest.raises(CotterlineError) as refused:
        answer(only_named(surroundings=around), SEEN)
    assert refused.value.code == "measurement-missing"
    places = [fault.pointer for fault in refused.value.faults]
    ring, arm = "/surroundings/ring/chain_line", "/surroundings/drive_arm/chain_line"
    assert places == [ring, arm, "/surroundings/non_drive_arm"]
    stood = {"gap": {"value": 8}, "chain_line": {"method": "measured_chain_line", "chain_line": {"value": 43}}}
    ranked = answer(only_named(surroundings={"ring": stood}), SEEN)
    assert ranked.first.clearances[0].state == "clear"


def test_a_gap_read_on_the_reference_moves_from_there_and_not_from_what_was_learned() -> None:
    around = {"ring": {"gap": {"value": 6, "tool": "caliper"}}}
    asked = msgspec.structs.replace(paired(), surroundings=msgspec.convert(around, type(paired().surroundings)))
    result = answer(asked, [report(-14.5)] * 5)
    at_113 = at_length(result, 113)
    moved = at_113.chain_line.value - 43
    predicted = at_113.clearances[0].predicted
    assert isinstance(predicted, Length)
    assert predicted.value == pytest.approx(6 + moved, abs=0.001)


# Tapers


def test_reports_on_the_other_standard_are_moved_by_the_shops_convention() -> None:
    there = [report(-14, kind=Kind(1, "iso"))] * 5
    here = answer(only_named(unit={"taper": "iso"}), there)
    moved = answer(only_named(unit={"taper": "jis"}), there)
    at_115 = at_length(moved, 115).chain_line
    assert at_115.value - at_length(here, 115).chain_line.value == pytest.approx(4.5, abs=0.001)
    assert sd(at_115) > sd(at_length(here, 115).chain_line)
    assert moved.taper_shift is not UNSET
    geometry = ShopSettings(taper_convention="geometry")
    by_geometry = at_length(answer(only_named(unit={"taper": "jis"}), there, geometry), 115)
    assert by_geometry.chain_line.value - at_length(here, 115).chain_line.value == pytest.approx(1.86, abs=0.01)


def test_reports_on_the_wanted_standard_outweigh_a_reference_on_the_other() -> None:
    asked = pair_question(113, 43, 42, crank={"model": STEEL, "taper": "iso"}, unit={"taper": "jis"})
    result = answer(asked, [report(-10.0)] * 5)
    assert told(result).request_share < 0.15
    assert result.taper_shift is not UNSET
    assert at_length(result, 113).chain_line.value == pytest.approx(-10 + 56.5, abs=0.3)


def test_reports_on_the_other_standard_join_a_reference_on_the_wanted_one() -> None:
    """An arm sits 4.5 mm further out on a JIS end by the published convention, so -14.5 on ISO is -10 on JIS."""
    asked = pair_question(113, 46.5, 42, crank={"model": STEEL})
    result = answer(asked, [report(-14.5, kind=Kind(1, "iso"))] * 5)
    assert told(result).evidence.taper == "iso"
    assert at_length(result, 113).chain_line.value == pytest.approx(46.5, abs=0.05)
    assert "reports-disagree" not in codes(result)


def test_ends_nobody_named_are_those_the_crank_was_fitted_on() -> None:
    crank = msgspec.structs.replace(cottered().crank, taper="unknown")
    asked = msgspec.structs.replace(cottered(), crank=crank)
    result = answer(asked, [report(-14, kind=Kind(1, "iso"))] * 3)
    assert (result.unit.taper, result.unit.taper_from) == ("iso", "crank")
    assert "taper-assumed" in codes(answer(asked, []))
    assert "taper-assumed" not in codes(result)


# Where it is used


def test_a_quote_and_a_substitute_are_predicted_with_what_was_learned() -> None:
    request = QuoteRequest(evidence=COTTERED, spindle=cottered())
    shop = Workshop(offsets=tuple(SEEN))
    trace = Trace()
    quoted = quote(request, shop, trace).spindle
    check_steps(trace.steps)
    assert isinstance(quoted, SpindleResult)
    found = fitting_of(request, shop)
    assert found is not None
    expected = options(found.question, found.shell, found.settings, Trace(wanted=False), offsets=found.offsets)
    assert quoted == expected
    assert told(quoted).evidence.offset == learned(SEEN).stated.offset


def test_what_was_learned_is_told_in_the_unit_that_is_asked_for() -> None:
    asked = SpindleRequest(question=cottered(), shell=ENGLISH_68, settings=ShopSettings(units="in"))
    found = told(rank(asked, ShopSettings(), Trace(), SEEN))
    mm = told(answer(cottered(), SEEN))
    assert {found.plus_minus.unit, found.evidence.kind.unit, found.evidence.reports[0].offset.unit} == {"in"}
    assert found.evidence.offset.value * 25.4 == pytest.approx(mm.evidence.offset.value, abs=1e-3)
