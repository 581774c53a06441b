"""Tapers: both conventions, and that only the change under the arm counts."""

import math
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from cotterline.bench.derivation import Trace
from cotterline.bench.shop import TaperConvention
from cotterline.bench.spindle.taper import (
    BOOKED_CONVENTION,
    BOOKED_UNSTATED,
    Taper,
    both_conventions,
    geometric_shift,
    jis_over_iso,
    moved_by_taper,
    unstated_taper,
)
from tests.bench.formulas import check_steps

TAPERS = st.sampled_from(get_args(Taper))
CONVENTIONS = st.sampled_from(get_args(TaperConvention))


@pytest.mark.parametrize(("jis", "shift"), [(12.63, 1.86), (12.65, 2.15), (12.70, 2.86), (12.73, 3.29)])
def test_the_shift_is_half_the_difference_in_width_over_the_slope_of_a_flat(jis: float, shift: float) -> None:
    """Arithmetic on the widths that workshop references print; ISO 12.50."""
    trace = Trace()
    assert geometric_shift(jis, 12.50, trace) == pytest.approx(shift, abs=0.005)
    check_steps(trace.steps)


def test_a_flat_drawn_on_by_the_shift_is_as_wide_as_the_other_standard() -> None:
    """The inverse, by a rise of tan 2 degrees on each of two flats."""
    assert 12.50 + 2 * geometric_shift(12.63, 12.50, Trace()) * math.tan(math.radians(2)) == pytest.approx(12.63)


@given(TAPERS, TAPERS, CONVENTIONS)
def test_a_change_and_its_reverse_cancel_with_their_errors(
    one: Taper, other: Taper, convention: TaperConvention
) -> None:
    there = moved_by_taper(one, other, convention, Trace())
    back = moved_by_taper(other, one, convention, Trace())
    assert (there + back).value == 0
    assert (there + back).sd == 0


@given(TAPERS, CONVENTIONS)
def test_the_same_standard_moves_nothing(taper: Taper, convention: TaperConvention) -> None:
    same = moved_by_taper(taper, taper, convention, Trace())
    assert (same.value, same.sd) == (0, 0)


def test_an_arm_sits_further_out_on_a_jis_end() -> None:
    """Published convention, 4.5 mm a side."""
    assert moved_by_taper("iso", "jis", "published", Trace()).value == 4.5
    assert moved_by_taper("jis", "iso", "published", Trace()).value == -4.5


@pytest.mark.parametrize("convention", get_args(TaperConvention))
def test_the_difference_of_the_conventions_is_carried_as_uncertainty(convention: TaperConvention) -> None:
    """JCGM 100:2008, F.2.4.5: the rectangular variance between the two plus the squared bias of the one applied."""
    trace = Trace()
    shift = jis_over_iso(convention, trace)
    gap = 4.5 - 0.13 / (2 * math.tan(math.radians(2)))
    assert shift.parts == {BOOKED_CONVENTION: pytest.approx(math.sqrt(gap**2 / 12 + (gap / 2) ** 2))}
    check_steps(trace.steps)


def test_both_conventions_are_reported_whichever_is_applied() -> None:
    moved = moved_by_taper("jis", "iso", "geometry", Trace())
    report = both_conventions(moved, "geometry")
    assert report.applied.value == pytest.approx(-1.861, abs=0.001)
    assert (report.published.value, report.geometry_lowest.value, report.geometry_highest.value) == (4.5, 1.861, 3.293)


def test_an_unstated_reference_moves_nothing_but_adds_an_error_of_its_own() -> None:
    trace = Trace()
    unstated = unstated_taper("published", trace)
    assert unstated.value == 0
    assert list(unstated.parts) == [BOOKED_UNSTATED]
    check_steps(trace.steps)


def test_shift_errors_add_as_in_the_uncertainties_package() -> None:
    shift = jis_over_iso("published", Trace())
    oracle = ufloat(shift.value, shift.sd)
    assert (shift * 2 - shift).sd == pytest.approx((oracle * 2 - oracle).std_dev)
