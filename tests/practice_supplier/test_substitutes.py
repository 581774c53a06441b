"""What is proposed instead of a line fits, does not fit, or is silent about the one thing that decides."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.parts_list import ItemProperty, Measure, Text
from cotterline.practice_supplier.substitutes import proposed, replaceable
from tests.practice_supplier.orders import bolts, order, spindle, unit


def fits(wanted: ItemProperty, offered: ItemProperty) -> bool:
    if isinstance(wanted, Measure) and isinstance(offered, Measure):
        return wanted.lowest <= offered.value <= wanted.highest
    return isinstance(wanted, Text) and offered.value in wanted.accepted


def offered(line: Any, how: Any) -> dict[str, ItemProperty]:  # noqa: ANN401 - as the test puts it
    return {each.name: each for each in proposed(line, how).properties}


def test_the_line_with_a_spindle_is_the_one_to_be_replaced() -> None:
    assert replaceable(order("", bolts(1), unit(2), unit(3, spindle(122.5, 121, 125)))).number == 3
    assert replaceable(order("", bolts(1), unit(2))).number == 2
    assert replaceable(order("", bolts(4), bolts(5))).number == 4


@given(st.floats(100, 140), st.floats(0, 6), st.floats(0, 6))
def test_a_good_one_states_everything_and_fits_whatever_the_range(value: float, down: float, up: float) -> None:
    line = unit(1, spindle(value, value - down, value + up))
    stated = offered(line, "substitute-good")
    assert stated.keys() == {each.name for each in line.properties}
    assert all(fits(each, stated[each.name]) for each in line.properties)


@pytest.mark.parametrize(
    ("lowest", "highest", "proposed_length"), [(121.1, 125.5, 123.0), (119.0, 123.0, 122.0), (122.5, 122.5, 122.5)]
)
def test_a_good_one_is_half_a_millimetre_nearer_to_the_middle_where_there_is_room(
    lowest: float, highest: float, proposed_length: float
) -> None:
    stated = offered(unit(1, spindle(122.5, lowest, highest)), "substitute-good")
    assert stated["spindle_length"].value == proposed_length


@given(st.floats(100, 140), st.floats(0, 6), st.floats(0, 6))
def test_a_bad_one_states_everything_and_fails_by_its_length_alone(value: float, down: float, up: float) -> None:
    line = unit(1, spindle(value, value - down, value + up))
    stated = offered(line, "substitute-bad")
    assert [each.name for each in line.properties if not fits(each, stated[each.name])] == ["spindle_length"]


def test_one_that_is_unknown_is_silent_about_its_length_alone() -> None:
    line = unit(1, spindle(122.5, 121, 125))
    stated = offered(line, "substitute-unknown")
    assert {each.name for each in line.properties} - stated.keys() == {"spindle_length"}


def test_a_line_without_a_spindle_is_decided_by_its_first_property() -> None:
    bad, unknown = offered(unit(1), "substitute-bad"), offered(unit(1), "substitute-unknown")
    assert not fits(unit(1).properties[0], bad["shell_width"])
    assert unknown.keys() == {"spindle_taper"}
