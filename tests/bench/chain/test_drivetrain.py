"""The drivetrain as a whole: published wheels, laws between its parts, and bad input."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cotterline.bench.chain.axle import AxleSpacer
from cotterline.bench.chain.cluster import Cluster
from cotterline.bench.chain.drivetrain import Drivetrain, DrivetrainResult, Rings, gears
from cotterline.bench.chain.methods import ClusterFromLocknut, MeasuredChainLine, NominalChainLine, SingleSprocket
from cotterline.bench.chainline_predictions import ChainlineRequest, ChainlineResult, predict
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import MM_PER_INCH, Errors, Length, Reading, Uncertain
from cotterline.bench.shop import ShopSettings
from tests.bench.formulas import check_steps

SETTINGS = ShopSettings()


def mm(value: float, plus_minus: float = 0.2) -> Reading:
    return Reading(value=value, plus_minus=plus_minus)


def wheel(sprockets: int = 6, width: float = 126) -> ClusterFromLocknut:
    return ClusterFromLocknut(locknut_width=mm(width), gap=mm(4), cluster=Cluster(sprockets=sprockets))


def double() -> Drivetrain:
    """An invented touring bicycle: two rings, six sprockets."""
    return Drivetrain(
        rings=Rings(count=2, spacing=mm(8), thickness=mm(2), teeth=(48, 38)),
        rear=wheel(),
        chainstay_length=mm(430, 2),
        sprocket_teeth=(14, 16, 18, 21, 24, 28),
        chain_speeds=6,
    )


def solve(drivetrain: Drivetrain, front: float = 43.5, settings: ShopSettings = SETTINGS) -> DrivetrainResult:
    trace = Trace()
    result = gears(Uncertain.of(front, 0.25, "front"), drivetrain, settings, trace)
    check_steps(trace.steps)
    return result


def request(**changes: Any) -> ChainlineRequest:  # noqa: ANN401 - fields of the request
    plain = ChainlineRequest(front=MeasuredChainLine(chain_line=mm(43.5)), drivetrain=double())
    return msgspec.structs.replace(plain, **changes)


def faults(drivetrain: Drivetrain) -> list[str]:
    with pytest.raises(CotterlineError) as refusal:
        gears(Uncertain(43.5), drivetrain, SETTINGS, Trace(), "/drivetrain")
    assert refusal.value.code == "impossible-value"
    return [fault.pointer for fault in refusal.value.faults]


def test_the_published_wheel_2_mm_out_asks_for_a_2_mm_washer_on_the_other_side() -> None:
    # west5cycles, 2008: dropouts 120, sprocket 12 from the right, front 46, cured by a 2 mm washer.
    rear = SingleSprocket(locknut_width=mm(120), to_sprocket=mm(12))
    bike = Drivetrain(rings=Rings(count=1), rear=rear, chainstay_length=mm(430))
    before = solve(bike, front=46.0)
    assert (before.rear.value, before.mismatch.difference.value) == (48.0, -2.0)
    assert before.mismatch.within_tolerance is False
    assert (before.washer_move.move_from, before.washer_move.thickness.value) == ("non_drive", 2.0)
    washer = AxleSpacer(side="drive", change="moved_here", thickness=mm(2))
    after = solve(msgspec.structs.replace(bike, rear=msgspec.structs.replace(rear, axle_spacers=(washer,))), front=46.0)
    assert after.mismatch.difference.value == 0.0
    assert after.mismatch.within_tolerance is True
    assert isinstance(after.spacers, msgspec.Struct)
    assert (after.spacers.before.value, after.spacers.after.value, after.spacers.shift.value) == (48.0, 46.0, -2.0)
    assert after.spacers.locknut_width_change == Length(0.0, "mm", 0.0)
    assert after.spacers.before.plus_minus == before.rear.plus_minus


def test_the_published_ten_speed_bicycle_runs_a_single_ring_between_its_fourth_and_fifth_sprockets() -> None:
    # ti10x.blogspot.com, Chainline, October 2012: ring about 47.5, between the 6th and 7th counted from the largest.
    bike = Drivetrain(
        rings=Rings(count=1),
        rear=ClusterFromLocknut(
            locknut_width=mm(130), gap=mm(3), cluster=Cluster(sprockets=10, pitch=mm(3.95), thickness=mm(1.6))
        ),
        chainstay_length=mm(430),
    )
    result = solve(bike, front=47.5)
    assert [place.offset.value for place in result.sprockets[3:5]] == [49.35, 45.4]
    assert [gear.offset.value for gear in result.gears[3:5]] == [-1.85, 2.1]
    assert result.extremes.straightest.sprocket == 4


def test_rings_stand_evenly_about_the_chain_line_outermost_first() -> None:
    # Midway for a double, the middle ring for a triple: how the trade states a front chain line.
    assert [place.offset.value for place in solve(double()).rings] == [47.5, 39.5]
    triple = msgspec.structs.replace(double(), rings=Rings(count=3, spacing=mm(7.5)))
    assert [place.offset.value for place in solve(triple, front=45.0).rings] == [52.5, 45.0, 37.5]
    single = msgspec.structs.replace(double(), rings=Rings(count=1))
    assert [place.offset.value for place in solve(single).rings] == [43.5]


def test_rings_and_sprockets_carry_their_numbers_and_teeth() -> None:
    result = solve(double())
    assert [(place.number, place.teeth) for place in result.rings] == [(1, 48), (2, 38)]
    assert [place.teeth for place in result.sprockets] == [14, 16, 18, 21, 24, 28]
    bare = solve(msgspec.structs.replace(double(), sprocket_teeth=()))
    assert all(place.teeth is msgspec.UNSET for place in bare.sprockets)


def test_gears_beyond_the_shop_s_limit_are_flagged_and_counted() -> None:
    lax, strict = solve(double()), solve(double(), settings=ShopSettings(angle_limit_degrees=1.0))
    assert lax.gears_beyond_limit == sum(abs(gear.angle_degrees) > 2.5 for gear in lax.gears)
    assert strict.gears_beyond_limit == sum(abs(gear.angle_degrees) > 1.0 for gear in strict.gears)
    assert lax.gears_beyond_limit < strict.gears_beyond_limit < len(strict.gears)
    assert strict.angle_limit_degrees == 1.0
    for loose, tight in zip(lax.gears, strict.gears, strict=True):
        assert tight.beyond_probability >= loose.beyond_probability


@given(st.floats(38, 50), st.integers(5, 10), st.integers(1, 3))
def test_a_wheel_lined_up_with_the_front_is_as_far_aslant_one_way_as_the_other(
    front: float, sprockets: int, count: int
) -> None:
    rings = Rings(count=count) if count == 1 else Rings(count=count, spacing=mm(7))
    bike = Drivetrain(rings=rings, rear=wheel(sprockets, 130), chainstay_length=mm(430))
    rear = solve(bike, front).rear.value
    result = solve(bike, rear)
    outward, inward = result.extremes.ring_furthest_out, result.extremes.ring_furthest_in
    assert outward.angle_degrees == pytest.approx(-inward.angle_degrees, abs=2e-3)
    assert (outward.ring, outward.sprocket) == (1, sprockets)
    assert (inward.ring, inward.sprocket) == (count, 1)


@given(st.floats(38, 50), st.floats(0.25, 5))
def test_the_probability_of_a_close_enough_mismatch_agrees_with_a_general_package(
    front: float, tolerance: float
) -> None:
    result = solve(double(), front, ShopSettings(chain_line_tolerance_mm=tolerance))
    assert isinstance(result.mismatch.difference.plus_minus, float)
    # Readings each +-0.2 but the table's pitch +-0.05 and thickness +-0.1: sd in mm, JCGM 100:2008 equation 10.
    sd = math.sqrt(0.25**2 + (0.1 / 2) ** 2 + 0.1**2 + (2.5 * 0.025) ** 2 + (0.05 / 2) ** 2)
    normal = stats.norm(front - (63 - 4 - 29.5 / 2), sd)
    expected = float(normal.cdf(tolerance) - normal.cdf(-tolerance))
    assert result.mismatch.within_probability == pytest.approx(expected, abs=2e-6)
    assert result.mismatch.difference.plus_minus == pytest.approx(2 * sd, abs=5.1e-4)


def test_an_error_that_front_and_rear_share_does_not_count_in_their_mismatch() -> None:
    result = solve(double())
    own = gears(chain_line_of_wheel(), double(), SETTINGS, Trace(wanted=False))
    assert own.mismatch.difference.plus_minus == pytest.approx(0.5, abs=1e-3)
    assert isinstance(result.mismatch.difference.plus_minus, float)
    assert result.mismatch.difference.plus_minus > 0.5


def chain_line_of_wheel() -> Uncertain:
    """A ring set up on the middle of this very wheel, to 0.25 mm."""
    parts = {
        "rear chain line: width over the locknuts": 0.1 / 2,
        "rear chain line: locknut face to smallest sprocket": -0.1,
        "rear chain line: sprocket pitch": -0.025 * 5 / 2,
        "rear chain line: sprocket thickness": -0.05 / 2,
        "set-up": 0.25,
    }
    return Uncertain(44.25, Errors(parts))


@pytest.mark.parametrize(
    ("spacing", "thickness", "chain", "possible"),
    [  # Possible where spacing less thickness exceeds the chain; common practice, no source.
        (8.0, 2.0, 7.8, False),
        (10.0, 2.0, 7.8, True),
        (8.0, 2.0, 5.9, True),
        (8.0, 2.0, 6.2, False),
    ],
)
def test_the_chain_drops_between_rings_only_where_the_gap_is_wider(
    spacing: float, thickness: float, chain: float, *, possible: bool
) -> None:
    rings = Rings(count=2, spacing=mm(spacing), thickness=mm(thickness))
    bike = Drivetrain(rings=rings, rear=wheel(), chainstay_length=mm(430), chain_width=mm(chain))
    drop = solve(bike).drop_through
    assert isinstance(drop, msgspec.Struct)
    assert drop.possible is possible
    assert drop.margin.value == pytest.approx(spacing - thickness - chain)
    expected = float(stats.norm.sf(0.0, loc=spacing - thickness - chain, scale=0.1 * math.sqrt(3)))
    assert drop.probability == pytest.approx(expected, abs=1e-6)


def test_the_chain_s_width_comes_from_the_table_by_its_speeds() -> None:
    drop = solve(double()).drop_through
    assert isinstance(drop, msgspec.Struct)
    assert (drop.chain_width.value, drop.gap.value, drop.possible) == (7.8, 6.0, False)


@pytest.mark.parametrize(
    ("changes", "missing"),
    [
        ({"chain_speeds": msgspec.UNSET}, ("chain_width",)),
        ({"rings": Rings(count=2, spacing=mm(8))}, ("rings/thickness",)),
        (
            {"chain_speeds": msgspec.UNSET, "rings": Rings(count=2, spacing=mm(8))},
            ("rings/thickness", "chain_width"),
        ),
    ],
)
def test_a_drop_through_that_cannot_be_judged_says_what_to_measure(
    changes: dict[str, Any], missing: tuple[str, ...]
) -> None:
    result = solve(msgspec.structs.replace(double(), **changes))
    assert result.drop_through is msgspec.UNSET
    assert [(open_.check, open_.missing) for open_ in result.unchecked] == [("drop_through", missing)]


def test_a_single_ring_has_no_drop_through_to_judge() -> None:
    result = solve(msgspec.structs.replace(double(), rings=Rings(count=1)))
    assert result.drop_through is msgspec.UNSET
    assert result.unchecked == ()


@given(st.floats(40, 47))
def test_the_gap_after_the_proposed_move_is_that_of_a_wheel_on_the_front_s_chain_line(front: float) -> None:
    result = solve(double(), front)
    gap = result.washer_move.gap_after_move
    assert isinstance(gap, Length)
    # Half of 126, less gap and half of the cluster's 29.5, is then the front chain line.
    assert 63 - gap.value - 29.5 / 2 == pytest.approx(front, abs=1e-3)
    assert result.washer_move.keeps_usual_gap is (gap.value >= 3.0)


def test_a_gap_after_the_move_counts_the_washers_already_changed() -> None:
    washer = AxleSpacer(side="drive", change="added", thickness=mm(2))
    rear = msgspec.structs.replace(wheel(), axle_spacers=(washer,))
    result = solve(msgspec.structs.replace(double(), rear=rear), front=43.25)
    # Now 128 wide, gap 6: rear chain line 64 - 6 - 14.75 = 43.25, so nothing is left to move.
    assert result.washer_move.thickness.value == 0.0
    assert getattr(result.washer_move.gap_after_move, "value", None) == 6.0
    assert getattr(result.spacers, "locknut_width_change", None) == Length(2.0, "mm", 0.2)


def test_a_prediction_carries_front_rear_assumptions_and_settings() -> None:
    settings = ShopSettings(angle_limit_degrees=1.5)
    answer = predict(request(front=NominalChainLine(kind="road_double")), settings, Trace(wanted=False))
    assert answer.drivetrain.front == Length(43.5, "mm", 1.5)
    assert answer.settings == settings
    assert "not measured" in answer.drivetrain.assumptions[0]
    assert any("evenly spaced" in words for words in answer.drivetrain.assumptions)


def test_settings_in_the_request_replace_the_shop_s() -> None:
    own = ShopSettings(angle_limit_degrees=1.0)
    answer = predict(request(settings=own), ShopSettings(angle_limit_degrees=4.0), Trace(wanted=False))
    assert answer.settings == own
    assert answer.drivetrain.angle_limit_degrees == 1.0


def test_a_derivation_is_carried_where_it_is_wanted_and_every_step_holds() -> None:
    assert predict(request(), SETTINGS, Trace(wanted=False)).derivation is msgspec.UNSET
    wanted = predict(request(), SETTINGS, Trace())
    assert isinstance(wanted.derivation, tuple)
    names = [step.name for step in check_steps(wanted.derivation)]
    assert len(names) == len(set(names))
    assert {"front chain line", "rear chain line", "ring 2", "ring 2, sprocket 6: chain angle"} <= set(names)
    silent = predict(request(), SETTINGS, Trace(wanted=False))
    assert msgspec.structs.replace(wanted, derivation=msgspec.UNSET) == silent


def test_the_same_request_gives_the_same_bytes() -> None:
    first, second = (msgspec.json.encode(predict(request(), SETTINGS, Trace())) for _ in range(2))
    assert first == second
    assert msgspec.json.decode(first, type=ChainlineResult) == predict(request(), SETTINGS, Trace())


def lengths(node: object) -> list[Length]:
    if isinstance(node, Length):
        return [node]
    if isinstance(node, msgspec.Struct):
        return [found for name in node.__struct_fields__ for found in lengths(getattr(node, name))]
    return [found for item in node for found in lengths(item)] if isinstance(node, tuple) else []


def test_an_answer_in_inches_is_the_answer_in_millimetres() -> None:
    metric = lengths(predict(request(), SETTINGS, Trace()))
    imperial = lengths(predict(request(), ShopSettings(units="in"), Trace()))
    assert len(metric) == len(imperial) > 20
    for one, other in zip(metric, imperial, strict=True):
        assert other.unit == "in"
        assert other.value * MM_PER_INCH == pytest.approx(one.value, abs=2e-4)


BAD: list[tuple[dict[str, Any], list[str]]] = [
    ({"rings": Rings(count=2)}, ["/drivetrain/rings/spacing"]),
    ({"rings": Rings(count=1, spacing=mm(8))}, ["/drivetrain/rings/spacing"]),
    ({"rings": Rings(count=2, spacing=mm(80))}, ["/drivetrain/rings/spacing/value"]),
    ({"rings": Rings(count=2, spacing=mm(12), thickness=mm(9))}, ["/drivetrain/rings/thickness/value"]),
    ({"rings": Rings(count=2, spacing=mm(3), thickness=mm(4))}, ["/drivetrain/rings/thickness"]),
    ({"rings": Rings(count=2, spacing=mm(8), teeth=(48,))}, ["/drivetrain/rings/teeth"]),
    ({"rings": Rings(count=2, spacing=mm(8), teeth=(38, 48))}, ["/drivetrain/rings/teeth/1"]),
    ({"sprocket_teeth": (14, 16)}, ["/drivetrain/sprocket_teeth"]),
    ({"sprocket_teeth": (28, 24, 25, 26, 27, 28)}, ["/drivetrain/sprocket_teeth/1"]),
    ({"chainstay_length": mm(200)}, ["/drivetrain/chainstay_length/value"]),
    ({"chainstay_length": Reading(value=17, unit="mm")}, ["/drivetrain/chainstay_length/value"]),
    ({"chain_speeds": 3}, ["/drivetrain/chain_speeds"]),
    ({"chain_width": mm(7.8)}, ["/drivetrain/chain_speeds"]),
    ({"chain_width": mm(70), "chain_speeds": msgspec.UNSET}, ["/drivetrain/chain_width/value"]),
    (
        {"rear": wheel(6, 300), "chainstay_length": mm(math.nan), "rings": Rings(count=3)},
        [
            "/drivetrain/rings/spacing",
            "/drivetrain/rear/locknut_width/value",
            "/drivetrain/chainstay_length/value",
        ],
    ),
]


@pytest.mark.parametrize(("changes", "expected"), BAD)
def test_bad_input_is_refused_all_at_once_at_its_pointers(changes: dict[str, Any], expected: list[str]) -> None:
    assert faults(msgspec.structs.replace(double(), **changes)) == expected


def test_a_prediction_names_the_faults_of_front_and_drivetrain_together() -> None:
    bad = request(
        front=MeasuredChainLine(chain_line=mm(-4)), drivetrain=msgspec.structs.replace(double(), chain_speeds=2)
    )
    with pytest.raises(CotterlineError) as refusal:
        predict(bad, SETTINGS, Trace())
    assert [fault.pointer for fault in refusal.value.faults] == [
        "/front/chain_line/value",
        "/drivetrain/chain_speeds",
    ]


@pytest.mark.parametrize(
    "patch",
    [
        {"rings": {"count": 4}},
        {"rings": {"count": 0}},
        {"chain_speeds": 40},
        {"wheelbase": 1000},
        {"chainstay_length": 430},
        {"sprocket_teeth": [5]},
        {"rear": {"method": "cluster_from_locknut", "locknut_width": {"value": 126}}},
    ],
)
def test_a_body_that_is_no_drivetrain_is_not_decoded(patch: dict[str, Any]) -> None:
    body = msgspec.to_builtins(double()) | patch
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(msgspec.json.encode(body), type=Drivetrain)
