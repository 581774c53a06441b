"""Gaps after fitting: as they were read, and as the earlier ones are carried along."""

from typing import Any

import pytest
from uncertainties import ufloat

from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.result import FitResult
from cotterline.bench.quantity import COVERAGE, Length
from cotterline.bench.spindle.clearance import SUBJECTS, Clearance, Subject
from cotterline.bench.spindle.crank import ERRORS
from tests.bench.fit_cases import check, fit_report, following, judged, line, stocked
from tests.bench.spindle_cases import pair_question

ON_REFERENCE = {"ring": {"gap": {"value": 6}}, "drive_arm": {"gap": {"value": 7}}, "non_drive_arm": {"value": 8}}
CALIPER = {"tool": "caliper"}


def on_119(
    at: float,
    around: dict[str, Any],
    gaps: dict[str, Any] | None = None,
    unit: dict[str, Any] | None = None,
    target: float = 43,
) -> FitResult:
    """A crank at 43 mm on 113 mm, fitted on 119 mm."""
    asked = pair_question(113, 43, target, surroundings=around, unit=unit or {})
    report = fit_report(line(at), spindle_length_mm=119, gaps=gaps or {})
    return judged(asked, report, settings=stocked(107, 113, 119) | {"chainstay_clearance_mm": 3, "arm_clearance_mm": 2})


def gap(result: FitResult, subject: Subject) -> Clearance:
    return following(result).clearances[SUBJECTS.index(subject)]


def number(length: Length | Any) -> float:  # noqa: ANN401 - a length or nothing
    assert isinstance(length, Length)
    return length.value


@pytest.mark.parametrize(
    ("gaps", "question", "state"),
    [
        ({"ring": {"value": 3}}, "ring_to_chainstay", "pass"),
        ({"ring": {"value": 2.9}}, "ring_to_chainstay", "fail"),
        ({"drive_arm": {"value": 2}}, "drive_arm_to_chainstay", "pass"),
        ({"drive_arm": {"value": 1.9}}, "drive_arm_to_chainstay", "fail"),
        ({"non_drive_arm": {"value": 2}}, "non_drive_arm_to_chainstay", "pass"),
        ({"non_drive_arm": {"value": 1.9}}, "non_drive_arm_to_chainstay", "fail"),
    ],
)
def test_each_gap_is_held_to_the_shops_own_least(gaps: dict[str, Any], question: Any, state: str) -> None:  # noqa: ANN401 - a question
    result = on_119(43, {}, gaps)
    assert check(result, question).state == state
    assert check(result, question).probability == pytest.approx(0.5, abs=0.1)
    assert result.outcome == ("passed" if state == "pass" else "missed")


def test_the_chain_line_is_held_to_what_the_derailleur_serves() -> None:
    reach = {"derailleur": {"lowest": {"value": 40}, "highest": {"value": 44}}}
    assert check(on_119(44, reach), "chain_line_in_derailleur_reach").state == "pass"
    assert check(on_119(44.1, reach), "chain_line_in_derailleur_reach").state == "fail"


def test_a_gap_read_on_the_old_reference_is_not_taken_to_be_read_on_the_fitted_spindle() -> None:
    """Rings that went from 43 to 48 mm took ring and arm 5 mm out; 113 mm then brings both back by 3 mm.

    The left arm went out by half of what the spindle gained, and comes back by as much.
    """
    result = on_119(48, ON_REFERENCE, target=45)
    assert following(result).spindle_length.value == 113
    assert following(result).chain_line.value == 45
    assert number(gap(result, "ring_to_chainstay").predicted) == 8
    assert number(gap(result, "drive_arm_to_chainstay").predicted) == 9
    assert number(gap(result, "non_drive_arm_to_chainstay").predicted) == 8


@pytest.mark.parametrize(("unit", "left"), [({"spacer_mm": 1}, 7), ({"spacer_mm": 1, "seat": "left"}, 9)])
@pytest.mark.parametrize("asymmetry", [0, 2])
def test_a_seated_unit_moves_the_carried_gaps_once(unit: dict[str, Any], left: float, asymmetry: float) -> None:
    result = on_119(48, ON_REFERENCE, unit={"asymmetry_mm": asymmetry} | unit, target=45)
    assert following(result).chain_line.value == 45
    assert number(gap(result, "ring_to_chainstay").predicted) == 8
    assert number(gap(result, "non_drive_arm_to_chainstay").predicted) == left - asymmetry / 2


def test_a_gap_of_the_report_goes_before_the_one_of_the_quote() -> None:
    gaps = {"ring": {"value": 10}, "drive_arm": {"value": 11.5}, "non_drive_arm": {"value": 12.5}}
    result = on_119(48, ON_REFERENCE, gaps, target=45)
    assert [number(item.predicted) for item in following(result).clearances[:3]] == [7, 8.5, 9.5]


@pytest.mark.parametrize("unit", [{}, {"spacer_mm": 2}, {"spacer_mm": 2, "seat": "left"}, {"asymmetry_mm": 3}])
def test_a_gap_of_the_report_moves_by_half_of_what_the_next_spindle_loses(unit: dict[str, Any]) -> None:
    gaps = {"ring": {"value": 9}, "drive_arm": {"value": 10}, "non_drive_arm": {"value": 12}}
    result = on_119(48, {}, gaps, unit, target=45)
    assert following(result).spindle_length.value == 113
    assert [number(item.predicted) for item in following(result).clearances[:3]] == [6, 7, 9]


def test_the_ruler_and_the_seat_cancel_where_a_gap_of_the_report_is_carried_on() -> None:
    """What is left: the caliper, half of either length's tolerance, and two seatings."""
    gaps = {"ring": {"value": 9, **CALIPER}, "non_drive_arm": {"value": 12, **CALIPER}}
    result = on_119(48, {}, gaps, target=45)
    half, depth = ERRORS.length_tolerance.sd / 2, ERRORS.seating_depth.sd
    right = ufloat(9, 0.05) + ufloat(0, half) + ufloat(0, half) + ufloat(0, depth) + ufloat(0, depth)
    left = ufloat(12, 0.05) + ufloat(0, half) + ufloat(0, half) + ufloat(0, depth)
    for at, expected in ((0, right), (2, left)):
        found = following(result).clearances[at].predicted
        assert isinstance(found, Length)
        assert found.plus_minus == pytest.approx(COVERAGE * expected.s, abs=6e-4)


def test_a_gap_carried_from_the_reference_gathers_the_fitted_seating_and_the_next() -> None:
    """The fitted length cancels: only the reference's and the next one's are between the two readings."""
    found = gap(on_119(48, ON_REFERENCE, target=45), "non_drive_arm_to_chainstay").predicted
    assert isinstance(found, Length)
    half, depth, seat = ERRORS.length_tolerance.sd / 2, ERRORS.seating_depth.sd, ERRORS.unit_seat.sd
    parts = [ufloat(0, each) for each in (0.5, 0.25, half, depth, depth, seat)]
    assert found.plus_minus == pytest.approx(COVERAGE * sum(parts).s, abs=6e-4)


def test_a_gap_with_its_own_chain_line_belongs_to_that() -> None:
    around = {"ring": {"gap": {"value": 6}, "chain_line": line(44)}}
    assert number(gap(on_119(48, around, target=45), "ring_to_chainstay").predicted) == 7


@pytest.mark.parametrize("name", ["ring", "drive_arm"])
def test_a_gap_that_moved_otherwise_than_the_chain_line_is_refused_with_both_named(name: str) -> None:
    around = {name: {"gap": {"value": 6}}}
    with pytest.raises(CotterlineError) as refused:
        on_119(46, around, {name: {"value": 14}})
    assert refused.value.code == "evidence-conflict"
    assert [(fault.pointer, fault.detail) for fault in refused.value.faults] == [
        (f"/gaps/{name}", "is 14 mm and was 6 mm with the chain line at 43 mm"),
        ("/chain_lines", "the chain line is 46 mm"),
    ]


def test_a_gap_that_moved_with_the_chain_line_or_nearly_so_is_believed() -> None:
    assert check(on_119(46, ON_REFERENCE, {"ring": {"value": 9}}), "ring_to_chainstay").measured
    assert check(on_119(46, ON_REFERENCE, {"ring": {"value": 11}}), "ring_to_chainstay").measured


def test_the_left_arms_gap_says_nothing_of_the_rings() -> None:
    assert check(on_119(46, ON_REFERENCE, {"non_drive_arm": {"value": 25}}), "non_drive_arm_to_chainstay").measured
