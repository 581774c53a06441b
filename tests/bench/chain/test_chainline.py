"""Chain lines against published worked examples, against each other, and against general packages."""

import math
from itertools import pairwise
from typing import get_args

import msgspec
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from cotterline.bench.chain.axle import AxleSpacer
from cotterline.bench.chain.chainline import (
    NOMINALS,
    assumptions,
    check_front,
    check_rear,
    front,
    rear,
    sprocket_offsets,
    wheel,
)
from cotterline.bench.chain.cluster import Cluster
from cotterline.bench.chain.methods import (
    BothSidesOfTube,
    ClusterFromLocknut,
    CountedSprocket,
    FrontMeasurement,
    HubFlanges,
    MeasuredChainLine,
    NominalChainLine,
    NominalKind,
    RearMeasurement,
    SingleSprocket,
    TubeToMiddle,
    TubeToOuterFace,
    TubeToRingFace,
)
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Reading
from tests.bench.formulas import check_steps

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()


def mm(value: float, plus_minus: float = 0.2) -> Reading:
    return Reading(value=value, plus_minus=plus_minus)


def ten_speed_wheel() -> ClusterFromLocknut:
    """The wheel of ti10x.blogspot.com, Chainline, October 2012: every figure from there."""
    return ClusterFromLocknut(
        locknut_width=mm(130), gap=mm(3), cluster=Cluster(sprockets=10, pitch=mm(3.95), thickness=mm(1.6))
    )


def pointers(measurement: FrontMeasurement | RearMeasurement) -> list[str]:
    if isinstance(measurement, FrontMeasurement):
        return [fault.pointer for fault in check_front(measurement, "/here")]
    return [fault.pointer for fault in check_rear(measurement, "/here")]


PUBLISHED_FRONTS = [
    pytest.param(BothSidesOfTube(far=mm(65), near=mm(24)), 44.5, id="a cycle shop's technical page, size-chainline"),
    pytest.param(BothSidesOfTube(far=mm(70.9), near=mm(34.1)), 52.5, id="mechalog, 2021"),
    pytest.param(
        TubeToOuterFace(tube_diameter=mm(44), to_outer_face=mm(29), rings_overall=mm(9.8)),
        46.1,
        id="published workshop figures, double",
    ),
    pytest.param(
        TubeToRingFace(tube_diameter=mm(44), to_ring_face=mm(23), tooth_thickness=mm(2)),
        44.0,
        id="published workshop figures, triple",
    ),
    pytest.param(
        TubeToMiddle(tube_diameter=mm(28.6), to_middle=mm(31.5)), 45.8, id="published worked figure, 28.6 tube"
    ),
    pytest.param(
        TubeToMiddle(tube_diameter=mm(30), to_middle=mm(27.5)), 42.5, id="lfgss.com comment 9866291, 30 mm tube"
    ),
]


@pytest.mark.parametrize(("measurement", "expected"), PUBLISHED_FRONTS)
def test_a_published_front_example_comes_out_as_published(measurement: FrontMeasurement, expected: float) -> None:
    trace = Trace()
    assert front(measurement, trace).value == pytest.approx(expected, abs=1e-9)
    check_steps(trace.steps)


def test_the_published_ten_speed_wheel_has_its_published_sprocket_offsets() -> None:
    # ti10x.blogspot.com, Chainline, October 2012; it counts from the largest sprocket, here from the smallest.
    published = [61.2, 57.25, 53.3, 49.35, 45.4, 41.45, 37.5, 33.55, 29.6, 25.65]
    trace = Trace()
    offsets = [offset.value for offset in sprocket_offsets(ten_speed_wheel(), trace)]
    assert offsets == pytest.approx(published, abs=1e-9)
    assert round((offsets[3] + offsets[4]) / 2, 1) == 47.4
    check_steps(trace.steps)


def test_the_published_ten_speed_cluster_is_37_15_wide_and_its_middle_is_the_rear_chain_line() -> None:
    # ti10x.blogspot.com, Chainline, October 2012: 3.95 x 9 + 1.6 = 37.15.
    trace = Trace()
    line = rear(ten_speed_wheel(), trace)
    width = next(step for step in trace.steps if step.name.endswith("width of the cluster"))
    assert width.value == pytest.approx(37.15)
    assert line.value == pytest.approx(65 - 3 - 37.15 / 2)
    check_steps(trace.steps)


@pytest.mark.parametrize(
    ("width", "to_sprocket", "expected"),
    [
        pytest.param(120, 12, 48.0, id="west5cycles, 2008"),
        pytest.param(120, 17.5, 42.5, id="lfgss.com comment 9866291"),
    ],
)
def test_a_published_single_sprocket_comes_out_as_published(width: float, to_sprocket: float, expected: float) -> None:
    trace = Trace()
    wheel = SingleSprocket(locknut_width=mm(width), to_sprocket=mm(to_sprocket))
    assert rear(wheel, trace).value == pytest.approx(expected)
    check_steps(trace.steps)


def test_moving_a_2_mm_washer_to_the_drive_side_cures_the_published_mismatch() -> None:
    # west5cycles, 2008: front 46, rear 48, a 2 mm washer.
    washer = AxleSpacer(side="drive", change="moved_here", thickness=mm(2))
    trace = Trace()
    wheel = SingleSprocket(locknut_width=mm(120), to_sprocket=mm(12), axle_spacers=(washer,))
    assert rear(wheel, trace).value == pytest.approx(46.0)
    assert [step.value for step in trace.steps[:2]] == [-2.0, 46.0]
    check_steps(trace.steps)


def test_a_counted_sprocket_is_the_one_of_that_number() -> None:
    base = ten_speed_wheel()
    trace = Trace()
    counted = CountedSprocket(locknut_width=base.locknut_width, gap=base.gap, cluster=base.cluster, position=4)
    assert rear(counted, trace).value == pytest.approx(49.35)
    check_steps(trace.steps)


def test_every_nominal_kind_has_one_row_with_a_plus_minus_and_a_source() -> None:
    assert set(NOMINALS) == set(get_args(NominalKind))
    for row in NOMINALS.values():
        trace = Trace()
        line = front(NominalChainLine(kind=row.kind), trace)
        assert line.length.plus_minus == row.plus_minus >= 1.0
        assert row.source
        check_steps(trace.steps)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [  # common practice, no source; 42 for track hubs also in bikeforums.net post 3872383
        ("road_double", 43.5),
        ("road_triple", 45.0),
        ("off_road_triple_narrow", 47.5),
        ("off_road_triple_wide", 50.0),
        ("track", 42.0),
        ("rear_end_120_double", 43.0),
        ("rear_end_120_triple", 44.5),
        ("rear_end_126_double", 43.5),
        ("rear_end_130_triple", 45.0),
    ],
)
def test_nominal_chain_lines_are_those_the_trade_prints(kind: NominalKind, expected: float) -> None:
    assert front(NominalChainLine(kind=kind), Trace(wanted=False)).value == expected


@pytest.mark.parametrize(
    ("kind", "printed"),
    [  # common practice, no source: two figures are in print for these
        ("hub_gear_or_coaster", (40.5, 43.0)),
        ("rear_end_135_triple", (47.5, 50.0)),
        ("road_double", (43.5, 45.0)),
    ],
)
def test_a_nominal_figure_covers_every_figure_in_print(kind: NominalKind, printed: tuple[float, float]) -> None:
    row = NOMINALS[kind]
    assert all(abs(figure - row.chain_line) <= row.plus_minus for figure in printed)


def test_an_answer_that_was_not_measured_says_so() -> None:
    assert "not measured" in assumptions(NominalChainLine(kind="track"))[0]
    assert "mid-plane" in assumptions(MeasuredChainLine(chain_line=mm(43)))[0]


def test_the_flange_method_states_that_it_takes_the_flanges_for_even() -> None:
    wheel = HubFlanges(far_flange_to_sprockets=mm(75), flange_spacing=mm(60))
    trace = Trace()
    assert rear(wheel, trace).value == 45.0
    assert "flanges stand evenly" in assumptions(wheel)[0]
    check_steps(trace.steps)


tubes = st.floats(25, 50)
lines = st.floats(38, 55)
ring_widths = st.floats(2, 20)


@given(tubes, lines, ring_widths)
def test_every_way_of_measuring_one_front_gives_one_chain_line(tube: float, line: float, width: float) -> None:
    side = line - tube / 2
    ways: list[FrontMeasurement] = [
        BothSidesOfTube(far=mm(line + width / 2 + tube / 2), near=mm(line - width / 2 - tube / 2)),
        TubeToMiddle(tube_diameter=mm(tube), to_middle=mm(side)),
        TubeToOuterFace(tube_diameter=mm(tube), to_outer_face=mm(side + width / 2), rings_overall=mm(width)),
        TubeToRingFace(tube_diameter=mm(tube), to_ring_face=mm(side + 1), tooth_thickness=mm(2)),
        MeasuredChainLine(chain_line=mm(line)),
    ]
    possible = [way for way in ways if not pointers(way)]
    assert MeasuredChainLine(chain_line=mm(line)) in possible
    for way in possible:
        assert front(way, Trace(wanted=False)).value == pytest.approx(line)


@given(st.floats(118, 136), st.floats(2.5, 6), st.integers(5, 10))
def test_every_way_of_measuring_one_wheel_gives_one_chain_line(width: float, gap: float, sprockets: int) -> None:
    cluster = Cluster(sprockets=sprockets)
    silent = Trace(wanted=False)
    from_locknut = ClusterFromLocknut(locknut_width=mm(width), gap=mm(gap), cluster=cluster)
    line, offsets = wheel(from_locknut, silent)
    assert line.value == pytest.approx((offsets[0].value + offsets[-1].value) / 2)
    flanges = HubFlanges(far_flange_to_sprockets=mm(line.value + 30), flange_spacing=mm(60), cluster=cluster)
    assert [o.value for o in sprocket_offsets(flanges, silent)] == pytest.approx([o.value for o in offsets])
    single = SingleSprocket(locknut_width=mm(width), to_sprocket=mm(width / 2 - line.value))
    assert rear(single, silent).value == pytest.approx(line.value)
    for position, offset in enumerate(offsets, start=1):
        one = CountedSprocket(locknut_width=mm(width), gap=mm(gap), cluster=cluster, position=position)
        assert rear(one, silent) == offset


@given(st.floats(2.6, 6), st.integers(2, 13))
def test_neighbouring_sprockets_stand_one_pitch_apart_outermost_first(pitch: float, sprockets: int) -> None:
    cluster = Cluster(sprockets=sprockets, pitch=mm(pitch, 0.1), thickness=mm(1.8))
    locknut = ClusterFromLocknut(locknut_width=mm(96 + sprockets * pitch), gap=mm(4), cluster=cluster)
    flanges = HubFlanges(far_flange_to_sprockets=mm(110), flange_spacing=mm(60), cluster=cluster)
    for measurement in (locknut, flanges):
        offsets = sprocket_offsets(measurement, Trace(wanted=False))
        assert len(offsets) == sprockets
        for outer, inner in pairwise(offsets):
            assert (outer - inner).value == pytest.approx(pitch)
            assert math.isclose((outer - inner).sd, 0.05, rel_tol=1e-6)


@given(st.floats(0.5, 4), st.sampled_from(["added", "removed", "moved_here"]))
def test_a_washer_on_the_other_side_shifts_the_other_way(thickness: float, change: str) -> None:
    plain = SingleSprocket(locknut_width=mm(120), to_sprocket=mm(15))
    base = rear(plain, Trace(wanted=False))
    shifts = []
    for side in ("drive", "non_drive"):
        spacer = msgspec.convert(
            {"side": side, "change": change, "thickness": {"value": thickness, "tool": "caliper"}}, AxleSpacer
        )
        moved = rear(msgspec.structs.replace(plain, axle_spacers=(spacer,)), Trace(wanted=False))
        shifts.append((moved - base).value)
    assert shifts[0] == pytest.approx(-shifts[1])
    assert abs(shifts[0]) == pytest.approx(thickness if change == "moved_here" else thickness / 2)


def test_an_added_washer_shifts_the_sprockets_towards_the_other_side() -> None:
    spacer = AxleSpacer(side="drive", change="added", thickness=mm(2))
    wheel = SingleSprocket(locknut_width=mm(120), to_sprocket=mm(15), axle_spacers=(spacer,))
    # Re-measured with the washer in place: 122 over the locknuts, 17 to the sprocket.
    assert rear(wheel, Trace(wanted=False)).value == 44.0 == 122 / 2 - 17


@given(st.floats(60, 75), st.floats(18, 30))
def test_inches_and_millimetres_give_the_same_chain_line(far: float, near: float) -> None:
    inches = [float(UNITS.Quantity(value, "mm").to("inch").magnitude) for value in (far, near)]
    plus_minus = float(UNITS.Quantity(0.2, "mm").to("inch").magnitude)
    metric = front(BothSidesOfTube(far=mm(far), near=mm(near)), Trace(wanted=False))
    readings = [Reading(value=value, unit="in", plus_minus=plus_minus) for value in inches]
    imperial = front(BothSidesOfTube(far=readings[0], near=readings[1]), Trace(wanted=False))
    assert imperial.value == pytest.approx(metric.value)
    assert imperial.sd == pytest.approx(metric.sd)


spreads = st.floats(0.05, 2)


@given(spreads, spreads, spreads)
def test_front_uncertainty_agrees_with_a_general_package(tube: float, face: float, overall: float) -> None:
    measurement = TubeToOuterFace(
        tube_diameter=mm(28.6, tube), to_outer_face=mm(33, face), rings_overall=mm(9.8, overall)
    )
    expected = ufloat(28.6, tube / 2) / 2 + ufloat(33, face / 2) - ufloat(9.8, overall / 2) / 2
    trace = Trace()
    line = front(measurement, trace)
    assert (line.value, line.sd) == pytest.approx((expected.nominal_value, expected.std_dev))
    check_steps(trace.steps)


@given(spreads, spreads, st.floats(0.05, 0.3), st.floats(0.05, 0.3))
def test_rear_uncertainty_agrees_with_a_general_package(old: float, gap: float, pitch: float, each: float) -> None:
    cluster = Cluster(sprockets=7, pitch=mm(5, pitch), thickness=mm(1.85, each))
    line, offsets = wheel(ClusterFromLocknut(locknut_width=mm(126, old), gap=mm(4, gap), cluster=cluster), Trace())
    o, g, p, t = ufloat(126, old / 2), ufloat(4, gap / 2), ufloat(5, pitch / 2), ufloat(1.85, each / 2)
    expected = o / 2 - g - (6 * p + t) / 2
    innermost = o / 2 - g - t / 2 - 6 * p
    assert (line.value, line.sd) == pytest.approx((expected.nominal_value, expected.std_dev))
    assert (offsets[6].value, offsets[6].sd) == pytest.approx((innermost.nominal_value, innermost.std_dev))
    assert (line - offsets[6]).sd == pytest.approx((expected - innermost).std_dev)


def test_one_moved_washer_is_one_error_not_two() -> None:
    washer = AxleSpacer(side="drive", change="moved_here", thickness=mm(2, 0.5))
    wheel = SingleSprocket(locknut_width=mm(120), to_sprocket=mm(12))
    silent = Trace(wanted=False)
    moved = rear(msgspec.structs.replace(wheel, axle_spacers=(washer,)), silent) - rear(wheel, silent)
    assert moved.sd == pytest.approx(0.25)


def test_one_measurement_used_twice_cancels_and_two_measurements_do_not() -> None:
    measurement = BothSidesOfTube(far=mm(65, 1), near=mm(24, 1))
    silent = Trace(wanted=False)
    before = front(measurement, silent, booked_as="old chain line")
    again = front(measurement, silent, booked_as="old chain line")
    after = front(measurement, silent, booked_as="new chain line")
    assert set(before.parts) == {
        "old chain line: far side of tube to outer face of outer ring",
        "old chain line: near side of tube to inner face of inner ring",
    }
    assert (before - again).sd == 0.0
    assert (before - after).sd == pytest.approx(before.sd * math.sqrt(2))


def test_a_silent_trace_records_nothing_and_changes_nothing() -> None:
    silent, loud = Trace(wanted=False), Trace()
    assert wheel(ten_speed_wheel(), silent) == wheel(ten_speed_wheel(), loud)
    assert silent.steps == []
    check_steps(loud.steps)
