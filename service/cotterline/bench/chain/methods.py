"""The ways to measure a chain line, front and rear, and what a reading taken one of these ways can be.

A measurement is a tagged object whose ``method`` names the way. Spans are common practice, no source, and wide on
purpose: they refuse what was never built, not what is unusual.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Final, Literal

import msgspec

from cotterline.bench.chain.axle import AxleSpacer, check_spacers
from cotterline.bench.chain.cluster import Cluster, check_cluster
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Reading, Uncertain, check_span

CHAIN_LINE_SPAN: Final = (20.0, 80.0)
"""Least and greatest chain line in mm."""

LEAST_TUBE: Final = 15.0
"""Least seat-tube diameter in mm."""

_READINGS: Final[Mapping[str, tuple[float, float, str]]] = {
    "far": (25, 160, "far side of tube to outer face of outer ring"),
    "near": (1, 80, "near side of tube to inner face of inner ring"),
    "tube_diameter": (LEAST_TUBE, 70, "tube diameter"),
    "to_middle": (3, 70, "side of tube to middle of rings"),
    "to_outer_face": (3, 80, "side of tube to outer face of outer ring"),
    "rings_overall": (1, 40, "outer face to outer face of rings"),
    "to_ring_face": (3, 80, "side of tube to outer face of that ring"),
    "tooth_thickness": (1, 6, "tooth thickness"),
    "chain_line": (*CHAIN_LINE_SPAN, "chain line"),
    "locknut_width": (80, 200, "width over the locknuts"),
    "gap": (0.5, 40, "locknut face to smallest sprocket"),
    "to_sprocket": (1, 60, "locknut face to middle of sprocket"),
    "far_flange_to_sprockets": (30, 150, "left flange to middle of sprockets"),
    "flange_spacing": (20, 100, "flange to flange"),
}
"""Every reading's span in mm and its words."""

NominalKind = Literal[
    "road_double",
    "road_triple",
    "off_road_triple_narrow",
    "off_road_triple_wide",
    "track",
    "hub_gear_or_coaster",
    "rear_end_120_double",
    "rear_end_120_triple",
    "rear_end_126_double",
    "rear_end_126_triple",
    "rear_end_130_double",
    "rear_end_130_triple",
    "rear_end_135_triple",
]


class _Method(msgspec.Struct, tag_field="method", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One way to measure; ``method`` says which."""


class BothSidesOfTube(_Method, tag="both_sides_of_tube", frozen=True, kw_only=True):
    """``far`` side of the seat tube to the outer ring's outer face, ``near`` side to the inner ring's inner face."""

    far: Reading
    near: Reading


class TubeToMiddle(_Method, tag="tube_to_middle", frozen=True, kw_only=True):
    """From the tube's drive side to the middle of the ring or rings."""

    tube_diameter: Reading
    to_middle: Reading


class TubeToOuterFace(_Method, tag="tube_to_outer_face", frozen=True, kw_only=True):
    """From the tube's drive side to the outer ring's outer face, and the rings' width over all."""

    tube_diameter: Reading
    to_outer_face: Reading
    rings_overall: Reading


class TubeToRingFace(_Method, tag="tube_to_ring_face", frozen=True, kw_only=True):
    """From the tube's drive side to the outer face of the only or the middle ring, and its tooth thickness."""

    tube_diameter: Reading
    to_ring_face: Reading
    tooth_thickness: Reading


class MeasuredChainLine(_Method, tag="measured_chain_line", frozen=True, kw_only=True):
    """The chain line itself, already measured or worked out by whoever sends it."""

    chain_line: Reading


class NominalChainLine(_Method, tag="nominal", frozen=True, kw_only=True):
    """Not measured: what this kind of drivetrain, or one with this width of rear end in mm, was drawn for."""

    kind: NominalKind


FrontMeasurement = (
    BothSidesOfTube | TubeToMiddle | TubeToOuterFace | TubeToRingFace | MeasuredChainLine | NominalChainLine
)


class _RearMethod(_Method, frozen=True, kw_only=True):
    """``axle_spacers`` are changes since the readings were taken."""

    axle_spacers: Annotated[tuple[AxleSpacer, ...], msgspec.Meta(max_length=6)] = ()


class ClusterFromLocknut(_RearMethod, tag="cluster_from_locknut", frozen=True, kw_only=True):
    """The middle of the cluster, from width over the locknuts and ``gap`` of locknut face to smallest sprocket."""

    locknut_width: Reading
    gap: Reading
    cluster: Cluster


class CountedSprocket(_RearMethod, tag="counted_sprocket", frozen=True, kw_only=True):
    """One sprocket of the cluster, ``position`` counted from the outermost."""

    locknut_width: Reading
    gap: Reading
    cluster: Cluster
    position: Annotated[int, msgspec.Meta(ge=1, le=13)]


class SingleSprocket(_RearMethod, tag="single_sprocket", frozen=True, kw_only=True):
    """The only sprocket, from width over the locknuts and drive-side locknut face to the sprocket's middle."""

    locknut_width: Reading
    to_sprocket: Reading


class HubFlanges(_RearMethod, tag="hub_flanges", frozen=True, kw_only=True):
    """From the left flange to the middle of the sprocket or cluster; assumes flanges even about the mid-plane."""

    far_flange_to_sprockets: Reading
    flange_spacing: Reading
    cluster: Cluster | msgspec.UnsetType = msgspec.UNSET


RearMeasurement = ClusterFromLocknut | CountedSprocket | SingleSprocket | HubFlanges


def check_readings(measurement: FrontMeasurement | RearMeasurement, pointer: str) -> Iterator[Fault]:
    """Yield each part of a measurement that cannot be right by itself, or is missing; lengths in mm."""
    for name, reading in _readings(measurement):
        low, high, words = _READINGS[name]
        yield from check_span(reading, (low, high), words, f"{pointer}/{name}")
    if isinstance(measurement, ClusterFromLocknut | CountedSprocket | HubFlanges) and isinstance(
        measurement.cluster, Cluster
    ):
        yield from check_cluster(measurement.cluster, f"{pointer}/cluster")
    if isinstance(measurement, RearMeasurement):
        yield from check_spacers(measurement.axle_spacers, f"{pointer}/axle_spacers")


def sprocket_count(measurement: RearMeasurement) -> int:
    """How many sprockets the measurement speaks of."""
    cluster = msgspec.UNSET if isinstance(measurement, SingleSprocket) else measurement.cluster
    return cluster.sprockets if isinstance(cluster, Cluster) else 1


def booked(measurement: FrontMeasurement | RearMeasurement, booked_as: str) -> dict[str, Uncertain]:
    """The measurement's own readings by field name, each error booked under ``booked_as`` and the reading's words.

    >>> far = booked(MeasuredChainLine(chain_line=Reading(value=43)), "old chain line")["chain_line"]
    >>> dict(far.parts)
    {'old chain line: chain line': 0.5}
    """
    return {name: r.uncertain(f"{booked_as}: {_READINGS[name][2]}") for name, r in _readings(measurement)}


def _readings(measurement: msgspec.Struct) -> Iterator[tuple[str, Reading]]:
    for name in measurement.__struct_fields__:
        field = getattr(measurement, name)
        if isinstance(field, Reading):
            yield name, field
