"""The parts list: what it asks for, what may stand in, and what stands against ordering."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.derivation import Trace
from cotterline.bench.parts_list import (
    ItemProperty,
    Measure,
    PartsLine,
    PartsList,
    PropertyName,
    Text,
    parts_list,
    tolerated_lengths,
    unit_thread,
)
from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shop import ShopSettings, StockedLengths
from cotterline.bench.spindle.question import ShellForSpindle
from cotterline.bench.spindle_options import SpindleResult
from tests.bench.formulas import check_steps
from tests.bench.spindle_cases import answer_to, at_length, cotter_question, pair_question

ENGLISH = unit_thread(FAMILIES["iso_english"])


def listed(result: SpindleResult, family: FamilyId = "iso_english", *, cottered: bool = False) -> PartsList:
    return parts_list(unit_thread(FAMILIES[family]), result, Trace(), cottered=cottered)


def usual() -> SpindleResult:
    return answer_to(pair_question(113, 43, 43))


def line(parts: PartsList, role: str) -> PartsLine:
    return next(item for item in parts.lines if item.role == role)


def named(item: PartsLine, name: PropertyName) -> ItemProperty:
    return next(entry for entry in item.properties if entry.name == name)


def measure(item: PartsLine, name: PropertyName) -> Measure:
    entry = named(item, name)
    assert isinstance(entry, Measure)
    return entry


def text(item: PartsLine, name: PropertyName) -> Text:
    entry = named(item, name)
    assert isinstance(entry, Text)
    return entry


def test_the_unit_is_told_by_every_dimension_a_supplier_compares() -> None:
    """ISO 6696:1989: 1.370 in x 24 threads per inch, fixed cup left-hand."""
    unit = line(listed(usual()), "unit")
    assert measure(unit, "thread_outside_diameter").value == pytest.approx(1.370 * 25.4)
    assert measure(unit, "thread_pitch").value == pytest.approx(25.4 / 24, abs=1e-4)
    assert (text(unit, "drive_side_hand").value, text(unit, "non_drive_side_hand").value) == ("left", "right")
    assert (measure(unit, "shell_width").value, measure(unit, "spindle_length").value) == (68, 113)
    assert text(unit, "spindle_taper").accepted == ("jis",)
    assert unit.quantity == type(unit.quantity)(1, "C62")


def test_only_the_length_may_differ_from_what_was_asked_for() -> None:
    for entry in line(listed(usual()), "unit").properties:
        if isinstance(entry, Text):
            assert entry.accepted == (entry.value,)
        elif entry.name != "spindle_length":
            assert entry.lowest == entry.value == entry.highest


def test_a_tolerance_of_1_5_mm_lets_a_length_3_mm_either_way_stand_in() -> None:
    """Half the change in length moves the chain line."""
    entry = measure(line(listed(usual()), "unit"), "spindle_length")
    assert (entry.lowest, entry.highest) == (110, 116)


@given(st.floats(100, 125), st.floats(40, 47), st.floats(0, 15), st.floats(38, 43), st.floats(43, 50))
def test_whatever_may_stand_in_lands_within_the_tolerance_and_clears(
    length: float, target: float, gap: float, lowest: float, highest: float
) -> None:
    around = {
        "ring": {"gap": {"value": gap}},
        "non_drive_arm": {"value": gap},
        "derailleur": {"lowest": {"value": lowest - 0.1}, "highest": {"value": highest}},
    }
    asked = pair_question(length, 43, target, surroundings=around)
    result, trace = answer_to(asked), Trace()
    ends = tolerated_lengths(result.first, result.tolerance.value, trace)
    if ends[0] == ends[1]:
        return
    check_steps(trace.steps)
    stocked = ShopSettings(stocked_lengths=(StockedLengths(shell_width=68, lengths=ends),))
    for option in answer_to(asked, stocked).options:
        assert abs(option.residual.value) <= 1.5 + 0.002
        margins = [item.margin.value for item in option.clearances if not isinstance(item.margin, msgspec.UnsetType)]
        assert min(margins) >= -0.002


def test_beyond_the_span_the_tolerance_or_a_clearance_is_broken() -> None:
    """6 mm of gap where 5 are needed lets the spindle be 2 mm shorter, not 3."""
    result = answer_to(pair_question(113, 43, 43, surroundings={"ring": {"gap": {"value": 6}}}))
    assert tolerated_lengths(result.first, result.tolerance.value, Trace()) == (111, 116)


def test_a_length_that_misses_lets_nothing_stand_in() -> None:
    result = usual()
    assert tolerated_lengths(at_length(result, 131), result.tolerance.value, Trace()) == (131, 131)


def test_two_lengths_to_try_stand_alone_and_may_come_back() -> None:
    result = usual()
    pair = [at_length(result, 113), at_length(result, 115)]
    units = [item for item in parts_list(ENGLISH, result, Trace(), pair).lines if item.role == "unit"]
    spans = [(measure(item, "spindle_length").lowest, measure(item, "spindle_length").highest) for item in units]
    assert spans == [(113, 113), (115, 115)]
    assert all(item.returnable for item in units)
    assert not line(listed(result), "unit").returnable


def test_bolts_are_two_of_m8_x_1_and_the_extractor_is_m22_x_1() -> None:
    """Common practice, no source."""
    parts = listed(usual())
    bolts = line(parts, "crank_bolts")
    assert (bolts.quantity.value, text(bolts, "thread").value) == (2, "M8 x 1")
    tools = [item for item in parts.lines if item.role == "tool" and item.properties]
    assert [text(item, "thread").value for item in tools] == ["M22 x 1"]
    assert "23.35" in tools[0].note


def test_a_spacer_is_listed_only_where_one_goes_in() -> None:
    assert not [item for item in listed(usual()).lines if item.role == "spacer"]
    spaced = listed(answer_to(pair_question(113, 43, 43, unit={"spacer_mm": 2.5})))
    assert measure(line(spaced, "spacer"), "thickness").value == 2.5


def test_lines_are_numbered_and_only_parts_are_ordered() -> None:
    parts = listed(usual())
    assert [item.number for item in parts.lines] == list(range(1, len(parts.lines) + 1))
    assert {item.role for item in parts.lines if item.supply == "order"} == {"unit", "crank_bolts"}


def test_cotters_bring_their_tools_and_cautions() -> None:
    plain, cottered = listed(usual()), listed(usual(), cottered=True)
    added = {caution.code for caution in cottered.cautions} - {caution.code for caution in plain.cautions}
    assert added == {"driving-pins", "fluids-and-heat"}
    assert len(cottered.lines) == len(plain.lines) + 1
    assert {"follow-part", "stop-if-tight", "frame-builder", "loose-arm"} <= {
        caution.code for caution in plain.cautions
    }


def test_torque_comes_in_newton_metres_with_its_grade() -> None:
    """Makers' sheets and workshop references: 34 to 44 for a square crank bolt, 49 to 69 for the unit."""
    torques = {item.subject: item for item in listed(usual()).torques}
    assert (torques["crank_bolt"].lowest, torques["crank_bolt"].highest) == (34, 44)
    assert (torques["cartridge_unit"].lowest, torques["cartridge_unit"].highest) == (49, 69)
    assert torques["plastic_cup"].lowest is msgspec.UNSET
    assert all(item.grade for item in torques.values())


def blocked(parts: PartsList) -> list[str]:
    assert parts.orderable == (not parts.blockers)
    return [caution.code for caution in parts.blockers]


def test_nothing_stands_against_a_known_taper_and_a_stock_thread() -> None:
    assert blocked(listed(usual())) == []


def test_a_taper_nobody_stated_stands_against_ordering() -> None:
    assert blocked(listed(answer_to(cotter_question(113, 42)))) == ["taper-assumed"]


def test_a_thread_without_a_stock_unit_stands_against_ordering() -> None:
    result = answer_to(pair_question(113, 43, 43), shell=ShellForSpindle(family="british_26", width=71))
    assert blocked(listed(result, "british_26")) == ["no-stock-unit", "length-not-on-record"]


def test_a_length_nobody_is_known_to_stock_stands_against_ordering_until_the_shop_says_it_does() -> None:
    asked, shell = pair_question(113, 43, 43), ShellForSpindle(family="t47", width=73)
    assert blocked(listed(answer_to(asked, shell=shell), "t47")) == ["length-not-on-record"]
    stocked = ShopSettings(stocked_lengths=(StockedLengths(shell_width=73, lengths=(113, 118)),))
    assert blocked(listed(answer_to(asked, stocked, shell), "t47")) == []


def test_a_length_that_fouls_stands_against_ordering() -> None:
    result = answer_to(pair_question(113, 43, 43, surroundings={"ring": {"gap": {"value": 0}}}))
    fouling = [option for option in result.options if option.fouls]
    assert blocked(parts_list(ENGLISH, result, Trace(), fouling[:1])) == ["length-fouls"]


@pytest.mark.parametrize("family", [family.id for family in FAMILIES.values() if not family.threaded])
def test_no_unit_screws_into_a_shell_without_thread(family: FamilyId) -> None:
    with pytest.raises(ValueError, match="has no thread"):
        unit_thread(FAMILIES[family])
