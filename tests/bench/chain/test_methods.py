"""What no measurement of a chain line can be, and where a refusal points."""

import math

import msgspec
import pytest

from cotterline.bench.chain.axle import AxleSpacer
from cotterline.bench.chain.chainline import check_front, check_rear, front, rear
from cotterline.bench.chain.cluster import Cluster
from cotterline.bench.chain.methods import (
    BothSidesOfTube,
    ClusterFromLocknut,
    CountedSprocket,
    FrontMeasurement,
    HubFlanges,
    MeasuredChainLine,
    RearMeasurement,
    SingleSprocket,
    TubeToMiddle,
    booked,
    sprocket_count,
)
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import Reading, Uncertain


def mm(value: float, plus_minus: float = 0.2) -> Reading:
    return Reading(value=value, plus_minus=plus_minus)


def pointers(measurement: FrontMeasurement | RearMeasurement) -> list[str]:
    if isinstance(measurement, FrontMeasurement):
        return [fault.pointer for fault in check_front(measurement, "/here")]
    return [fault.pointer for fault in check_rear(measurement, "/here")]


def chain_line(measurement: FrontMeasurement | RearMeasurement, pointer: str) -> Uncertain:
    if isinstance(measurement, FrontMeasurement):
        return front(measurement, Trace(), pointer)
    return rear(measurement, Trace(), pointer)


IMPOSSIBLE: list[tuple[FrontMeasurement | RearMeasurement, list[str]]] = [
    (BothSidesOfTube(far=mm(650), near=mm(-24)), ["/here/far/value", "/here/near/value"]),
    (BothSidesOfTube(far=mm(40), near=mm(38)), ["/here/far"]),
    (BothSidesOfTube(far=mm(130), near=mm(70)), ["/here"]),
    (TubeToMiddle(tube_diameter=mm(5), to_middle=mm(31)), ["/here/tube_diameter/value"]),
    (TubeToMiddle(tube_diameter=mm(math.nan), to_middle=mm(31)), ["/here/tube_diameter/value"]),
    (TubeToMiddle(tube_diameter=mm(70), to_middle=mm(60)), ["/here"]),
    (MeasuredChainLine(chain_line=mm(19.9)), ["/here/chain_line/value"]),
    (MeasuredChainLine(chain_line=Reading(value=43, unit="in")), ["/here/chain_line/value"]),
    (SingleSprocket(locknut_width=mm(300), to_sprocket=mm(12)), ["/here/locknut_width/value"]),
    (SingleSprocket(locknut_width=mm(80), to_sprocket=mm(45)), ["/here"]),
    (
        ClusterFromLocknut(locknut_width=mm(120), gap=mm(0), cluster=Cluster(sprockets=5)),
        ["/here/gap/value"],
    ),
    (
        ClusterFromLocknut(locknut_width=mm(120), gap=mm(4), cluster=Cluster(sprockets=11)),
        ["/here/cluster/pitch", "/here/cluster/thickness"],
    ),
    (
        ClusterFromLocknut(locknut_width=mm(80), gap=mm(10), cluster=Cluster(sprockets=8)),
        ["/here"],
    ),
    (
        ClusterFromLocknut(
            locknut_width=mm(120), gap=mm(4), cluster=Cluster(sprockets=13, pitch=mm(5), thickness=mm(1.8))
        ),
        ["/here"],
    ),
    (
        CountedSprocket(locknut_width=mm(120), gap=mm(4), cluster=Cluster(sprockets=5), position=6),
        ["/here/position"],
    ),
    (
        SingleSprocket(
            locknut_width=mm(120),
            to_sprocket=mm(12),
            axle_spacers=(AxleSpacer(side="drive", change="added", thickness=mm(-2)),),
        ),
        ["/here/axle_spacers/0/thickness/value"],
    ),
    (HubFlanges(far_flange_to_sprockets=mm(75), flange_spacing=mm(5)), ["/here/flange_spacing/value"]),
]


@pytest.mark.parametrize(("measurement", "expected"), IMPOSSIBLE)
def test_impossible_readings_are_refused_at_their_pointers(
    measurement: FrontMeasurement | RearMeasurement, expected: list[str]
) -> None:
    assert pointers(measurement) == expected
    with pytest.raises(CotterlineError) as refusal:
        chain_line(measurement, "/here")
    assert refusal.value.code == "impossible-value"
    assert [fault.pointer for fault in refusal.value.faults] == expected


@pytest.mark.parametrize(
    "body",
    [
        b'{"method":"guess","chain_line":{"value":43}}',
        b'{"chain_line":{"value":43}}',
        b'{"method":"measured_chain_line","chain_line":{"value":43},"colour":"red"}',
        b'{"method":"measured_chain_line","chain_line":{"value":43,"unit":"cm"}}',
        b'{"method":"nominal","kind":"rear_end_135_double"}',
        b'{"method":"both_sides_of_tube","far":{"value":65}}',
    ],
)
def test_a_body_that_is_no_front_measurement_is_not_decoded(body: bytes) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.json.decode(body, type=FrontMeasurement)


def test_a_measurement_comes_back_from_json_as_it_went_in() -> None:
    measurement = ClusterFromLocknut(locknut_width=mm(130), gap=mm(3), cluster=Cluster(sprockets=10))
    assert msgspec.json.decode(msgspec.json.encode(measurement), type=RearMeasurement) == measurement


def test_a_measurement_s_error_is_booked_under_the_reading_it_comes_from() -> None:
    parts = booked(SingleSprocket(locknut_width=mm(120), to_sprocket=mm(12, 0.5)), "rear")
    assert parts["locknut_width"].parts == {"rear: width over the locknuts": 0.1}
    assert parts["to_sprocket"].parts == {"rear: locknut face to middle of sprocket": 0.25}


def test_a_measurement_knows_how_many_sprockets_it_speaks_of() -> None:
    assert sprocket_count(SingleSprocket(locknut_width=mm(120), to_sprocket=mm(12))) == 1
    assert sprocket_count(HubFlanges(far_flange_to_sprockets=mm(75), flange_spacing=mm(60))) == 1
    assert sprocket_count(ClusterFromLocknut(locknut_width=mm(120), gap=mm(4), cluster=Cluster(sprockets=5))) == 5


def test_the_innermost_of_many_sprockets_may_stand_nearer_than_a_chain_line_can() -> None:
    cluster = Cluster(sprockets=9)
    inner = CountedSprocket(locknut_width=mm(118), gap=mm(4), cluster=cluster, position=9)
    assert pointers(inner) == []
    assert rear(inner, Trace()).value < 20
