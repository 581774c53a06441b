"""Lengths and uncertainty against pint, uncertainties and scipy."""

import math
from typing import Any, Literal

import msgspec
import pint
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET, UnsetType
from scipy import stats

from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import (
    MM_PER_INCH,
    TOOL_PLUS_MINUS,
    Length,
    Reading,
    Tool,
    Uncertain,
    Unit,
    check_span,
    in_unit,
    probability,
    refuse,
    to_mm,
    within,
)

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()
NAMES: dict[Unit, str] = {"mm": "millimeter", "in": "inch"}
SIZES = st.floats(-1000, 1000)
SDS = st.floats(0.001, 10)


@given(SIZES, st.sampled_from(["mm", "in"]))
def test_a_length_in_millimetres_is_what_pint_says(value: float, unit: Unit) -> None:
    assert to_mm(value, unit) == pytest.approx(UNITS.Quantity(value, NAMES[unit]).to("mm").magnitude, abs=1e-9)


@given(SIZES, st.floats(0.001, 100), st.sampled_from(["mm", "in"]))
def test_a_reading_and_its_stated_plus_minus_are_converted_alike(value: float, spread: float, unit: Unit) -> None:
    reading = Reading(value=value, unit=unit, plus_minus=spread)
    assert reading.mm == pytest.approx(UNITS.Quantity(value, NAMES[unit]).to("mm").magnitude, abs=1e-9)
    assert reading.sd == pytest.approx(UNITS.Quantity(spread, NAMES[unit]).to("mm").magnitude / 2, abs=1e-9)


@pytest.mark.parametrize(("tool", "plus_minus"), [("ruler", 1.0), ("caliper", 0.1), ("gauge", 0.4)])
def test_a_tool_stands_for_its_plus_minus_in_mm_whatever_the_unit(tool: Tool, plus_minus: float) -> None:
    """Common practice, no source; an expanded uncertainty with factor 2 (JCGM 100:2008, 6.2.1)."""
    assert TOOL_PLUS_MINUS[tool] == plus_minus
    assert Reading(value=2, unit="in", tool=tool).sd == plus_minus / 2


@given(st.floats(0, 300), st.floats(0, 5))
def test_a_stated_length_is_the_same_in_inches_and_back(value: float, sd: float) -> None:
    length = Length.mm(value, sd)
    there = length.to("in")
    assert there.value == pytest.approx(value / MM_PER_INCH, abs=6e-5)
    assert there.plus_minus == pytest.approx(2 * sd / MM_PER_INCH, abs=6e-5)
    assert there.to("mm").value == pytest.approx(length.value, abs=0.0011)
    assert length.to("mm") is length


def test_a_length_without_uncertainty_states_none_in_either_unit() -> None:
    assert Length.mm(25.4).to("in") == Length(1.0, "in")
    assert b"plus_minus" not in msgspec.json.encode(Length.mm(25.4))


def test_a_length_never_states_minus_zero() -> None:
    assert math.copysign(1, Length.mm(-0.0001).value) == 1


@given(SIZES, SDS, SIZES, SDS, st.floats(-5, 5))
def test_sums_and_multiples_spread_as_the_uncertainties_package_says(
    a: float, a_sd: float, b: float, b_sd: float, factor: float
) -> None:
    """Correlated inputs included: ``a`` appears twice (JCGM 100:2008, 5.2.2)."""
    ours_a, ours_b = Uncertain.of(a, a_sd, "a"), Uncertain.of(b, b_sd, "b")
    theirs_a, theirs_b = uncertainties.ufloat(a, a_sd), uncertainties.ufloat(b, b_sd)
    ours = (ours_a + ours_b) * factor - ours_a / 2 + 3.0
    theirs = (theirs_a + theirs_b) * factor - theirs_a / 2 + 3.0
    assert ours.value == pytest.approx(theirs.nominal_value, abs=1e-9)
    assert ours.sd == pytest.approx(theirs.std_dev, abs=1e-9)
    assert ours.length == Length.mm(ours.value, ours.sd)


def test_values_a_constant_apart_share_their_errors_and_sums_have_their_own() -> None:
    line = Uncertain.of(43.0, 0.5, "ruler") + Uncertain.of(1.0, 0.2, "spacer")
    before = dict(line.parts)
    assert (line + 2.0).parts is (line - 2.0).parts is line.parts
    assert (line - Uncertain.of(0.0, 0.5, "ruler")).parts == {"ruler": 0.0, "spacer": 0.2}
    assert line.parts == before
    assert line.length == (line + 2.0 - 2.0).length == Length.mm(44.0, math.hypot(0.5, 0.2))


def test_one_reading_used_twice_cancels() -> None:
    ruler = Reading(value=43).uncertain("ruler")
    assert (ruler - ruler).sd == 0.0
    assert (ruler + ruler).sd == 1.0


@given(st.floats(-50, 50), st.floats(0.01, 20), st.floats(-60, 60), st.floats(0, 60))
def test_the_share_of_a_normal_between_two_limits_is_what_scipy_says(
    centre: float, sd: float, low: float, span: float
) -> None:
    normal = stats.norm(loc=centre, scale=sd)
    assert within(centre, sd, low, low + span) == pytest.approx(normal.cdf(low + span) - normal.cdf(low), abs=1e-9)


@pytest.mark.parametrize(("centre", "share"), [(1.0, 1.0), (2.0, 1.0), (2.1, 0.0), (0.9, 0.0)])
def test_a_value_without_spread_lies_between_the_limits_or_not(centre: float, share: float) -> None:
    assert within(centre, 0.0, 1.0, 2.0) == share


@pytest.mark.parametrize(("value", "stated"), [(1.0000000002, 1.0), (-1e-12, 0.0), (0.1234567, 0.123457), (0.5, 0.5)])
def test_a_probability_is_stated_to_a_millionth_between_nought_and_one(value: float, stated: float) -> None:
    assert probability(value) == stated


@pytest.mark.parametrize(
    ("value", "unit", "inside"),
    [
        (59.9, "mm", False),
        (60, "mm", True),
        (110, "mm", True),
        (110.1, "mm", False),
        (2.36, "in", False),
        (2.37, "in", True),
        (4.33, "in", True),
        (4.34, "in", False),
        (68, "in", False),
    ],
)
def test_a_reading_outside_its_span_is_named_in_either_unit(value: float, unit: Unit, *, inside: bool) -> None:
    found = list(check_span(Reading(value=value, unit=unit), (60, 110), "a shell's width", "/evidence/3/reading"))
    assert [fault.pointer for fault in found] == ([] if inside else ["/evidence/3/reading/value"])
    assert all("60 to 110 mm" in fault.detail for fault in found)


def test_all_faults_are_refused_at_once() -> None:
    faults = [Fault("/a", "wrong"), Fault("/b", "wrong too")]
    with pytest.raises(CotterlineError) as caught:
        refuse(faults)
    assert caught.value.code == "impossible-value"
    assert caught.value.faults == tuple(faults)
    refuse([])


class _Tree(msgspec.Struct, frozen=True):
    length: Length
    words: str
    more: tuple["_Tree", ...] = ()


def test_every_length_of_a_result_is_turned_into_inches_however_deep() -> None:
    tree = _Tree(Length.mm(25.4), "25.4 mm", (_Tree(Length.mm(50.8, 0.0635), "x"),))
    turned = in_unit(tree, "in")
    assert turned == _Tree(Length(1.0, "in"), "25.4 mm", (_Tree(Length(2.0, "in", 0.005), "x"),))
    assert in_unit(tree, "mm") is tree


class _Leaf(msgspec.Struct, frozen=True):
    words: tuple[str, ...]
    unit: Literal["mm"] = "mm"


class _Branch(msgspec.Struct, frozen=True):
    leaf: _Leaf
    either: Length | UnsetType = UNSET
    anything: Any = None


def test_lengths_are_found_where_only_some_of_a_type_have_them() -> None:
    leaf = _Leaf(("25.4 mm",))
    branch = _Branch(leaf, Length.mm(25.4), _Branch(leaf, UNSET, Length.mm(50.8)))
    turned = in_unit([branch, leaf], "in")
    assert turned == [_Branch(leaf, Length(1.0, "in"), _Branch(leaf, UNSET, Length(2.0, "in"))), leaf]
    assert turned[1] is leaf


@pytest.mark.parametrize(
    "body",
    [
        {"value": 67, "unit": "cm"},
        {"value": 67, "tool": "eye"},
        {"value": "67"},
        {"value": 1001},
        {"value": 67, "more": 1},
        {"value": 67, "plus_minus": 0},
        {"value": 67, "plus_minus": 101},
        {"unit": "mm"},
    ],
)
def test_a_reading_that_is_none_is_refused_on_the_wire(body: dict[str, object]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(msgspec.json.encode(body), type=Reading, strict=True)
