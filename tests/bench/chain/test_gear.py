"""Chain angles against a published figure, the geometry of a triangle, and general packages."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat, umath

from cotterline.bench.chain.gear import Gear, combine, extremes
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Uncertain
from tests.bench.formulas import check_steps

LIMIT = 2.5


def one(ring: Uncertain, sprocket: Uncertain, chainstay: Uncertain, limit: float = LIMIT) -> Gear:
    trace = Trace()
    gear = combine([ring], [sprocket], chainstay, limit, trace)[0]
    check_steps(trace.steps)
    return gear


def test_the_published_offset_of_5_over_391_is_0_73_degrees() -> None:
    # bikeforums.net post 3872383: rings between 42 and 47, chainstay 391.
    gear = one(Uncertain(47.0), Uncertain(42.0), Uncertain(391.0))
    assert gear.offset.value == 5.0
    assert round(gear.angle_degrees, 2) == 0.73
    assert gear.beyond_limit is False


offsets = st.floats(15, 65)
stays = st.floats(350, 560)


@given(offsets, offsets, stays)
def test_the_angle_is_positive_exactly_where_the_ring_stands_further_out(
    ring: float, sprocket: float, stay: float
) -> None:
    there = one(Uncertain(ring), Uncertain(sprocket), Uncertain(stay))
    back = one(Uncertain(sprocket), Uncertain(ring), Uncertain(stay))
    assert there.angle_degrees == pytest.approx(-back.angle_degrees)
    if abs(ring - sprocket) > 0.01:
        assert math.copysign(1, there.angle_degrees) == math.copysign(1, ring - sprocket)


@given(offsets, offsets, stays)
def test_the_angle_is_that_of_the_triangle_of_offset_and_chainstay(ring: float, sprocket: float, stay: float) -> None:
    gear = one(Uncertain(ring), Uncertain(sprocket), Uncertain(stay))
    slanted = math.hypot(ring - sprocket, stay)
    assert math.sin(math.radians(gear.angle_degrees)) * slanted == pytest.approx(ring - sprocket, abs=0.001)


spreads = st.tuples(st.floats(0.05, 1), st.floats(0.05, 1), st.floats(0.1, 3))


@given(offsets, offsets, stays, spreads)
def test_the_angle_s_uncertainty_agrees_with_a_general_package(
    ring: float, sprocket: float, stay: float, sds: tuple[float, float, float]
) -> None:
    ends = Uncertain.of(ring, sds[0], "ring"), Uncertain.of(sprocket, sds[1], "sprocket")
    gear = one(*ends, Uncertain.of(stay, sds[2], "chainstay"))
    slope = (ufloat(ring, sds[0]) - ufloat(sprocket, sds[1])) / ufloat(stay, sds[2])
    expected = umath.degrees(umath.atan(slope))
    assert gear.angle_degrees == pytest.approx(expected.nominal_value, abs=6e-5)
    assert gear.angle_plus_minus == pytest.approx(2 * expected.std_dev, abs=6e-5)


@given(offsets, offsets, stays, st.floats(0.5, 10))
def test_the_probability_beyond_the_limit_agrees_with_a_general_package(
    ring: float, sprocket: float, stay: float, limit: float
) -> None:
    gear = one(Uncertain.of(ring, 0.5, "r"), Uncertain.of(sprocket, 0.5, "s"), Uncertain.of(stay, 1.0, "c"), limit)
    angle = ufloat(ring - sprocket, math.sqrt(0.5)) / ufloat(stay, 1.0)
    degrees = umath.degrees(umath.atan(angle))
    normal = stats.norm(degrees.nominal_value, degrees.std_dev)
    assert gear.beyond_probability == pytest.approx(float(normal.cdf(-limit) + normal.sf(limit)), abs=2e-6)
    assert gear.beyond_limit is (abs(degrees.nominal_value) > limit)


def test_an_error_that_ring_and_sprocket_share_does_not_widen_the_angle() -> None:
    shared = one(Uncertain.of(45.0, 0.5, "tube"), Uncertain.of(40.0, 0.5, "tube"), Uncertain(430.0))
    apart = one(Uncertain.of(45.0, 0.5, "tube"), Uncertain.of(40.0, 0.5, "hub"), Uncertain(430.0))
    assert shared.angle_plus_minus == 0.0
    assert apart.angle_plus_minus > 0.0


def test_gears_go_ring_by_ring_outermost_first() -> None:
    gears = combine(
        [Uncertain(47.0), Uncertain(42.0)], [Uncertain(50.0), Uncertain(45.0)], Uncertain(430.0), 9, Trace()
    )
    assert [(gear.ring, gear.sprocket, gear.offset.value) for gear in gears] == [
        (1, 1, -3.0),
        (1, 2, 2.0),
        (2, 1, -8.0),
        (2, 2, -3.0),
    ]
    most = extremes(gears)
    assert (most.ring_furthest_out.ring, most.ring_furthest_out.sprocket) == (1, 2)
    assert (most.ring_furthest_in.ring, most.ring_furthest_in.sprocket) == (2, 1)
    assert (most.straightest.ring, most.straightest.sprocket) == (1, 2)
