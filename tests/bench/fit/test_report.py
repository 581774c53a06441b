"""Fit reports: what a report may say, and every place where it cannot be right."""

from typing import Any

import msgspec
import pint
import pytest

from cotterline.bench.fit.report import NEWTON_METRES_PER_INCH_POUND, FitReportRequest, TorqueReading, check_report

MEASURED = {"method": "measured_chain_line", "chain_line": {"value": 43}}


def report(**body: Any) -> FitReportRequest:  # noqa: ANN401 - any part of a request's body
    """A report as a request's body would state it."""
    return msgspec.convert({"chain_lines": [MEASURED]} | body, FitReportRequest)


def pointers(**body: Any) -> list[str]:  # noqa: ANN401 - as above
    return [fault.pointer for fault in check_report(report(**body), "")]


def test_a_full_report_has_no_fault() -> None:
    asked = {
        "chain_lines": [
            {"method": "both_sides_of_tube", "far": {"value": 65}, "near": {"value": 24}},
            {"method": "tube_to_middle", "tube_diameter": {"value": 28.6}, "to_middle": {"value": 30}},
        ],
        "spindle_length_mm": 113,
        "run_out": [{"position": each, "wobble": {"value": 0.4, "tool": "gauge"}} for each in (1, 2, 3, 4)],
        "gaps": {"ring": {"value": 6}, "drive_arm": {"value": 7}, "non_drive_arm": {"value": 8}},
        "torques": [
            {"fastener": "crank_bolt", "value": 40, "side": "drive"},
            {"fastener": "crank_bolt", "value": 350, "unit": "in lb", "side": "non_drive"},
            {"fastener": "cartridge_unit", "value": 60},
        ],
        "shifting": "good",
        "minutes": [{"operation": "fit_unit", "minutes": 12}],
        "visit": "recheck",
        "recheck_in_days": 0,
        "remarks": "Rings are worn.",
    }
    assert pointers(**asked) == []


def test_every_fault_is_told_at_once_and_where_it_stands() -> None:
    asked = {
        "chain_lines": [{"method": "nominal", "kind": "track"}, MEASURED | {"chain_line": {"value": 8, "unit": "in"}}],
        "run_out": [
            {"position": 2, "wobble": {"value": 0.4}},
            {"position": 2, "wobble": {"value": 16}},
            {"position": 1, "wobble": {"value": -0.1}},
        ],
        "gaps": {"ring": {"value": 61}, "drive_arm": {"value": -1}, "non_drive_arm": {"value": 3, "unit": "in"}},
        "torques": [{"fastener": "pedal", "value": 201}, {"fastener": "pedal", "value": 4, "unit": "in lb"}],
    }
    assert pointers(**asked) == [
        "/chain_lines/0/method",
        "/chain_lines/1/chain_line/value",
        "/run_out/1/wobble/value",
        "/run_out/2/wobble/value",
        "/run_out/1/position",
        "/gaps/ring/value",
        "/gaps/drive_arm/value",
        "/gaps/non_drive_arm/value",
        "/torques/0/value",
        "/torques/1/value",
        "/torques/1/fastener",
    ]


def test_the_two_sides_of_one_fastener_are_two_readings() -> None:
    bolt = {"fastener": "crank_bolt", "value": 40}
    assert pointers(torques=[bolt | {"side": "drive"}, bolt | {"side": "non_drive"}]) == []
    assert pointers(torques=[bolt | {"side": "drive"}, bolt | {"side": "drive"}]) == ["/torques/1/fastener"]


@pytest.mark.parametrize(
    "body",
    [
        {"chain_lines": []},
        {"chain_lines": [MEASURED] * 5},
        {"spindle_length_mm": 89},
        {"run_out": [{"position": 5, "wobble": {"value": 1}}]},
        {"torques": [{"fastener": "crank_bolt", "value": 0}]},
        {"torques": [{"fastener": "stem", "value": 10}]},
        {"shifting": "fine"},
        {"recheck_in_days": 366},
        {"remarks": "a\x00b"},
        {"weather": "dry"},
    ],
)
def test_what_the_form_itself_forbids(body: dict[str, Any]) -> None:
    with pytest.raises(msgspec.ValidationError):
        report(**body)


@pytest.mark.parametrize("pounds", [1, 300, 390])
def test_inch_pounds_are_what_a_general_units_library_makes_of_them(pounds: float) -> None:
    """A pound-force at one inch (pint's registry, which follows NIST SP 811)."""
    registry: Any = pint.UnitRegistry()
    expected = registry.Quantity(pounds, "lbf * inch").to("N * m").magnitude
    read = TorqueReading(fastener="crank_bolt", value=pounds, unit="in lb").newton_metres
    assert read == pytest.approx(expected, rel=1e-12)
    assert pytest.approx(0.112985, abs=5e-7) == NEWTON_METRES_PER_INCH_POUND
