"""The whole job: what is answered, what is withheld, and what a mechanic is told first."""

from typing import Any

import msgspec
import pytest
from hypothesis import given

from cotterline.bench.chain.drivetrain import Drivetrain
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.parts_list import Measure
from cotterline.bench.quantity import Length, Reading
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shell.remedies import ShellCondition
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED, RAISED, crank, cup, gauge, hand, inside, stamp, width
from tests.bench.formulas import check_steps
from tests.bench.random_evidence import ANY_EVIDENCE
from tests.bench.spindle_cases import cotter_question, pair_question, question

WHEEL = {"method": "single_sprocket", "locknut_width": {"value": 114}, "to_sprocket": {"value": 16}}
SINGLE = msgspec.convert({"rings": {"count": 1}, "rear": WHEEL, "chainstay_length": {"value": 450}}, Drivetrain)
COTTERS = cotter_question(113, 42, unit={"taper": "jis"})
MIXED = (
    gauge(24, over=9.5),
    gauge(24, side="non_drive", over=9.5),
    cup(34.7),
    cup(35.9, side="non_drive"),
    inside(34.97, side="non_drive"),
    hand("left"),
    width(68, "caliper"),
)


def quoted(*evidence: Evidence, shop: ShopSettings | None = None, **parts: Any) -> QuoteResult:  # noqa: ANN401 - any part of a request
    """A bicycle's quote; every formula recorded on the way is evaluated."""
    trace = Trace()
    result = quote(
        QuoteRequest(evidence=evidence, **parts),
        Workshop(profile=ShopProfile(calculation=shop or ShopSettings())),
        trace,
    )
    check_steps(trace.steps)
    return result


def test_the_cottered_bicycle_gets_113_first_with_110_and_115_beside_it() -> None:
    """Common practice, no source: a square spindle as long as the cotters' centres were apart."""
    result = quoted(*COTTERED, spindle=COTTERS)
    assert result.summary == ("ISO/English, 68 mm: fit to order (99.7%). Spindle 113 mm first, 110 and 115 beside it.")
    assert result.ordering.allowed
    assert result.ordering.reasons == ()
    assert result.remedies == ()


def test_the_parts_list_names_the_thread_the_verdict_found_and_the_lengths_the_policy_advises() -> None:
    result = quoted(*COTTERED, spindle=COTTERS)
    assert not isinstance(result.parts, msgspec.UnsetType)
    assert not isinstance(result.spindle, msgspec.UnsetType)
    assert not isinstance(result.spindle.order, msgspec.UnsetType)
    assert result.spindle.order.recommended == "order_two_return_one"
    units = [line for line in result.parts.lines if line.role == "unit"]
    lengths = [
        prop.value
        for unit in units
        for prop in unit.properties
        if isinstance(prop, Measure) and prop.name == "spindle_length"
    ]
    assert lengths == [113, 110]
    assert all(unit.returnable for unit in units)
    assert all("1.370 in x 24 tpi" in unit.name for unit in units)


def test_a_crank_that_is_known_gets_one_length() -> None:
    result = quoted(*COTTERED, spindle=pair_question(113, 47.5, 47.5, unit={"taper": "jis"}))
    assert not isinstance(result.parts, msgspec.UnsetType)
    assert sum(line.role == "unit" for line in result.parts.lines) == 1


def test_a_26_tpi_shell_is_refused_as_a_stock_unit_and_given_the_routes_that_hold() -> None:
    result = quoted(*RAISED, spindle=COTTERS)
    assert not result.ordering.allowed
    assert isinstance(result.parts, msgspec.UnsetType)
    assert "No stock unit screws into British 26 tpi" in result.summary
    holding = {remedy.route for remedy in result.remedies if remedy.finding == "holds"}
    assert {"expanding_unit", "bevel_unit", "new_shell"} <= holding
    assert "retap_iso" not in holding


def test_what_is_seen_of_the_shell_opens_or_closes_a_route() -> None:
    sound = ShellCondition(cups="sound", threads="sound", outside_diameter=Reading(value=40, tool="caliper"))
    routes = {remedy.route: remedy.finding for remedy in quoted(*RAISED, shell_condition=sound).remedies}
    assert routes["keep_cups"] == "holds"
    assert routes["retap_italian_both"] == "holds"
    pitted = ShellCondition(cups="pitted", outside_diameter=Reading(value=38, tool="caliper"))
    routes = {remedy.route: remedy.finding for remedy in quoted(*RAISED, shell_condition=pitted).remedies}
    assert routes["keep_cups"] == "fails"
    assert routes["retap_italian_both"] == "fails"


def test_a_shell_cut_over_on_one_side_is_never_ordered_for_and_gets_remedies() -> None:
    result = quoted(*MIXED, spindle=COTTERS)
    assert (result.verdict.leading.drive, result.verdict.leading.non_drive) == ("iso_english", "italian")
    assert isinstance(result.parts, msgspec.UnsetType)
    assert {remedy.route: remedy.finding for remedy in result.remedies}["modular_unit"] == "holds"


def test_a_thread_nobody_observed_gets_advice_and_neither_parts_nor_remedies() -> None:
    result = quoted(width(68), spindle=COTTERS)
    assert isinstance(result.parts, msgspec.UnsetType)
    assert not isinstance(result.spindle, msgspec.UnsetType)
    assert "Next: " in result.summary
    undecided = quoted(crank("cottered"), spindle=COTTERS)
    assert undecided.verdict.state == "undecided"
    assert undecided.remedies == ()


def test_an_unknown_crank_is_asked_about_and_does_not_cost_the_verdict() -> None:
    asked = question(
        target={"aim": "stated", "chain_line": {"value": 43.5}}, crank={"known_by": "unknown"}, unit={"taper": "jis"}
    )
    result = quoted(*COTTERED, spindle=asked)
    assert result.verdict.state == "fit_to_order"
    assert [fault.pointer for fault in result.missing] == ["/spindle/crank"]
    assert not result.ordering.allowed
    assert isinstance(result.parts, msgspec.UnsetType)


def test_without_a_question_about_the_spindle_nothing_is_listed() -> None:
    result = quoted(*COTTERED)
    assert [fault.pointer for fault in result.missing] == ["/spindle"]
    assert isinstance(result.parts, msgspec.UnsetType)


def test_an_assumed_taper_withholds_the_parts_and_says_so() -> None:
    result = quoted(*COTTERED, spindle=cotter_question(113, 42))
    assert not result.ordering.allowed
    assert any("taper" in reason for reason in result.ordering.reasons)
    assert isinstance(result.parts, msgspec.UnsetType)


def test_the_gears_run_on_the_chain_line_of_the_first_choice() -> None:
    result = quoted(*COTTERED, spindle=COTTERS, drivetrain=SINGLE)
    assert not isinstance(result.drivetrain, msgspec.UnsetType)
    assert not isinstance(result.spindle, msgspec.UnsetType)
    assert result.drivetrain.front == result.spindle.first.chain_line
    assert result.drivetrain.rear.value == 114 / 2 - 16


def test_settings_in_the_request_replace_the_shop_s_and_are_recorded() -> None:
    own = ShopSettings(order_probability=0.9999)
    result = quoted(*COTTERED, spindle=COTTERS, settings=own)
    assert result.settings == own
    assert result.verdict.state == "likely"
    assert quoted(*COTTERED, spindle=COTTERS, shop=own).verdict == result.verdict


def test_inches_change_the_unit_and_nothing_else() -> None:
    metric = quoted(*COTTERED, spindle=COTTERS)
    inches = quoted(*COTTERED, spindle=COTTERS, shop=ShopSettings(units="in"))
    assert not isinstance(metric.spindle, msgspec.UnsetType)
    assert not isinstance(inches.spindle, msgspec.UnsetType)
    assert inches.spindle.first.spindle_length == Length(round(113 / 25.4, 5), "in")
    assert inches.parts == metric.parts
    assert inches.summary == metric.summary


def test_the_faults_of_every_part_come_at_once() -> None:
    wide = width(300)
    bad = question(target={"aim": "stated", "chain_line": {"value": -5}}, crank={"known_by": "unknown"})
    with pytest.raises(CotterlineError) as refused:
        quoted(wide, spindle=bad, shell_condition=ShellCondition(outside_diameter=Reading(value=10)))
    assert [fault.pointer for fault in refused.value.faults] == [
        "/evidence/0/reading/value",
        "/shell_condition/outside_diameter/value",
        "/spindle/target/chain_line/value",
    ]


@given(ANY_EVIDENCE)
def test_parts_are_listed_only_for_a_verdict_that_is_fit_to_order(evidence: tuple[Evidence, ...]) -> None:
    result = quoted(*evidence, spindle=COTTERS)
    listed = not isinstance(result.parts, msgspec.UnsetType)
    assert listed == result.ordering.allowed
    assert not listed or result.verdict.state == "fit_to_order"


def test_a_stamp_nobody_knows_changes_no_quote() -> None:
    plain = quoted(*COTTERED, spindle=COTTERS)
    stamped = quoted(*COTTERED, stamp("??"), spindle=COTTERS)
    assert stamped.verdict.leading == plain.verdict.leading
    assert stamped.parts == plain.parts
