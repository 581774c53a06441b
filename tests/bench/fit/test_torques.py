"""Torques beside their ranges: what is too little, too much, or was never said."""

from typing import Any

import pytest

from cotterline.bench.fit.result import FitResult
from cotterline.bench.parts_data import PARTS
from tests.bench.fit_cases import check, codes, fit_report, judged, line
from tests.bench.spindle_cases import pair_question

AT_43 = pair_question(113, 43, 43)


def drawn(*torques: tuple[str, float], **common: Any) -> FitResult:  # noqa: ANN401 - any part of a torque
    readings = [{"fastener": fastener, "value": value, **common} for fastener, value in torques]
    return judged(AT_43, fit_report(line(43), torques=readings))


@pytest.mark.parametrize(
    ("newton_metres", "state", "one"),
    [
        (10, "fail", "under"),
        (33.4, "fail", "under"),
        (33.5, "pass", "within"),
        (34, "pass", "within"),
        (44, "pass", "within"),
        (44.5, "pass", "within"),
        (44.6, "fail", "over"),
    ],
)
def test_a_crank_bolt_outside_its_range_fails(newton_metres: float, state: str, one: str) -> None:
    result = drawn(("crank_bolt", newton_metres))
    assert check(result, "crank_bolt_torque").state == state
    assert result.torques[0].state == one
    assert result.outcome == ("passed" if state == "pass" else "missed")


@pytest.mark.parametrize("inch_pounds", [300, 390])
def test_a_sheet_that_prints_300_to_390_in_lb_agrees_with_34_to_44_newton_metres(inch_pounds: float) -> None:
    """The range is printed both ways, rounded. Common practice, no source."""
    result = drawn(("crank_bolt", inch_pounds), unit="in lb")
    assert result.torques[0].state == "within"
    assert check(result, "crank_bolt_torque").state == "pass"


def test_every_range_is_the_one_the_plan_is_made_by() -> None:
    for row in PARTS.torques:
        item = drawn((row.subject, 40)).torques[0]
        assert (item.lowest, item.highest) == (row.lowest, row.highest)


def test_a_loose_crank_bolt_says_never_to_ride_and_a_silent_report_says_so_too() -> None:
    assert {"loose-arm", "re-check", "part-sheet-first"} <= codes(drawn(("crank_bolt", 20)))
    silent = judged(AT_43, fit_report(line(43)))
    assert check(silent, "crank_bolt_torque").state == "not_measured"
    assert "loose-arm" in codes(silent)
    assert "re-check" not in codes(silent)
    assert not codes(drawn(("crank_bolt", 40))) & {"loose-arm", "re-check", "part-sheet-first"}


def test_one_arm_says_nothing_of_the_other() -> None:
    one = drawn(("crank_bolt", 40), side="drive")
    assert check(one, "crank_bolt_torque").state == "not_measured"
    assert "Not measured: the non-drive side." in check(one, "crank_bolt_torque").words
    assert "loose-arm" in codes(one)
    sides = [
        {"fastener": "crank_bolt", "value": value, "side": side} for side, value in (("drive", 40), ("non_drive", 39))
    ]
    both = judged(AT_43, fit_report(line(43), torques=sides))
    assert check(both, "crank_bolt_torque").state == "pass"
    sides[1]["value"] = 20
    assert check(judged(AT_43, fit_report(line(43), torques=sides)), "crank_bolt_torque").state == "fail"


def test_a_plastic_cup_has_no_published_range_and_is_left_to_its_sheet() -> None:
    result = drawn(("plastic_cup", 30))
    assert result.torques[0].state == "unknown"
    assert check(result, "unit_torque").state == "not_measured"
    assert "own sheet decides" in check(result, "unit_torque").words
    assert check(drawn(("plastic_cup", 30), ("cartridge_unit", 60)), "unit_torque").state == "pass"


def test_torque_alone_asks_for_no_other_spindle() -> None:
    result = drawn(("crank_bolt", 20), ("cartridge_unit", 90))
    assert result.summary.startswith("Missed: torque of the crank bolts, torque of the unit.")
    assert not result.next_spindle
    assert not result.spacer
