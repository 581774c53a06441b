"""Chain line, front and rear, from whatever was measured.

A chain line is the distance from the frame's mid-plane outward to the drive side. At the front it is that of the one
ring, of the point midway between two rings, or of the middle one of three; at the rear that of the middle of the
cluster, of one counted sprocket, or of the only one. Sprockets are numbered from the outermost, which is the smallest.

Every reading's error is booked under its own name after the caller's ``booked_as``, so that the same readings used
for two answers cancel where the answers are compared.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

import msgspec

from cotterline.bench.chain import axle
from cotterline.bench.chain.cluster import Cluster, pitch, thickness
from cotterline.bench.chain.methods import (
    CHAIN_LINE_SPAN,
    LEAST_TUBE,
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
    booked,
    check_readings,
)
from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import COVERAGE, Uncertain, refuse

_GEOMETRY: Final = "plane geometry, no source needed"
_SHOP_PAGE: Final = "a cycle shop's technical page on chain line, 'size-chainline'"
_WORKSHOP_FIGURES: Final = "published workshop figures for measuring from the side of the tube"
_CLUSTER_PAGE: Final = "ti10x.blogspot.com, Chainline, October 2012"
_SPACER_PAGE: Final = "west5cycles, workshop note on chain line and axle washers, 2008"
_GUM: Final = "JCGM 100:2008, equation 10 with coverage factor 2"
FRONT: Final = "front chain line"
REAR: Final = "rear chain line"
"""Under what names errors and steps are booked where the caller names nothing else."""

_CENTRED: Final = "The dropouts stand evenly about the frame's mid-plane."
_SILENT: Final = Trace(wanted=False)


class NominalRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A nominal chain line in mm and where it comes from."""

    kind: NominalKind
    chain_line: float
    plus_minus: float
    source: str
    grade: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    nominal: tuple[NominalRow, ...]


NOMINALS: Final[Mapping[NominalKind, NominalRow]] = {row.kind: row for row in load("chainlines", _Table).nominal}


def check_front(measurement: FrontMeasurement, pointer: str) -> Iterator[Fault]:
    """Yield every reading that cannot be right, or what the readings cannot give together."""
    faults = list(check_readings(measurement, pointer))
    yield from faults
    if faults:
        return
    if isinstance(measurement, BothSidesOfTube) and measurement.far.mm - measurement.near.mm < LEAST_TUBE:
        yield Fault(f"{pointer}/far", f"must exceed near by the tube's diameter, at least {LEAST_TUBE:g} mm")
        return
    yield from _check_line(_front(measurement, _SILENT, ""), pointer)


def check_rear(measurement: RearMeasurement, pointer: str) -> Iterator[Fault]:
    """Yield every reading that cannot be right, what is missing, or what the readings cannot give together."""
    faults = list(check_readings(measurement, pointer))
    if isinstance(measurement, CountedSprocket) and measurement.position > measurement.cluster.sprockets:
        faults.append(Fault(f"{pointer}/position", f"the cluster has {measurement.cluster.sprockets} sprockets"))
    yield from faults
    if faults:
        return
    offsets = _offsets(measurement, _SILENT, "")
    if offsets[-1].value <= 0:
        yield Fault(pointer, f"the innermost sprocket would stand {offsets[-1].value:.6g} mm from the mid-plane")
    else:
        yield from _check_line((offsets[0] + offsets[-1]) / 2, pointer)


def front(measurement: FrontMeasurement, trace: Trace, pointer: str = "", *, booked_as: str = FRONT) -> Uncertain:
    """Front chain line in mm.

    Args:
        measurement: one way of measuring, or the nominal figure for a kind of drivetrain.
        trace: takes the steps.
        pointer: where the measurement stands in the request, for the faults of a refusal.
        booked_as: names the steps and, with the reading's own name, each source of error.

    Raises:
        CotterlineError: ``impossible-value``, with every fault that ``check_front`` finds.

    The mean of two readings either side of the tube is a cycle shop's method ("size-chainline"), whose example is:

    >>> from cotterline.bench.quantity import Reading
    >>> readings = BothSidesOfTube(far=Reading(value=65), near=Reading(value=24))
    >>> front(readings, Trace()).length
    Length(value=44.5, unit='mm', plus_minus=0.707)
    """
    refuse(list(check_front(measurement, pointer)))
    line = _front(measurement, trace, booked_as)
    _note_spread(line, trace, booked_as)
    return line


def rear(measurement: RearMeasurement, trace: Trace, pointer: str = "", *, booked_as: str = REAR) -> Uncertain:
    """Rear chain line in mm, with the axle's washers as they now are; arguments and errors as ``front``.

    Example of a workshop note (west5cycles, 2008), a single sprocket 12 mm inside dropouts 120 mm apart:

    >>> from cotterline.bench.quantity import Reading
    >>> wheel = SingleSprocket(locknut_width=Reading(value=120), to_sprocket=Reading(value=12))
    >>> rear(wheel, Trace()).value
    48.0
    """
    refuse(list(check_rear(measurement, pointer)))
    line = _rear(measurement, trace, booked_as)
    _note_spread(line, trace, booked_as)
    return line


def sprocket_offsets(
    measurement: RearMeasurement, trace: Trace, pointer: str = "", *, booked_as: str = REAR
) -> list[Uncertain]:
    """Distance of each sprocket's middle from the mid-plane in mm, outermost first; otherwise as ``rear``."""
    refuse(list(check_rear(measurement, pointer)))
    return _offsets(measurement, trace, booked_as)


def wheel(measurement: RearMeasurement, trace: Trace, *, booked_as: str = REAR) -> tuple[Uncertain, list[Uncertain]]:
    """``rear`` and ``sprocket_offsets`` at once, of a measurement that ``check_rear`` passed."""
    line = _rear(measurement, trace, booked_as)
    _note_spread(line, trace, booked_as)
    return line, _offsets(measurement, trace, booked_as)


def assumptions(measurement: FrontMeasurement | RearMeasurement) -> tuple[str, ...]:
    """What the answer takes for granted about the bicycle, for whoever reads it."""
    match measurement:
        case NominalChainLine():
            row = NOMINALS[measurement.kind]
            return (f"The front chain line is a nominal figure, not measured ({row.grade}: {row.source}).",)
        case HubFlanges():
            return ("The hub's flanges stand evenly about the mid-plane, as on a wheel without dish.", _CENTRED)
        case ClusterFromLocknut() | CountedSprocket() | SingleSprocket():
            return (_CENTRED,)
    return ("The tube measured from stands in the frame's mid-plane.",)


def _check_line(line: Uncertain, pointer: str) -> Iterator[Fault]:
    low, high = CHAIN_LINE_SPAN
    if not low <= line.value <= high:
        yield Fault(pointer, f"the readings give a chain line of {line.value:.6g} mm; it must be {low:g} to {high:g}")


def _front(measurement: FrontMeasurement, trace: Trace, booked_as: str) -> Uncertain:
    if isinstance(measurement, NominalChainLine):
        row = NOMINALS[measurement.kind]
        line = Uncertain.of(row.chain_line, row.plus_minus / COVERAGE, f"{booked_as}: nominal figure")
        trace.note(booked_as, "nominal", line.value, "mm", row.source, nominal=line.value)
        return line
    read = booked(measurement, booked_as)
    line, formula, source = _from_tube(measurement, read)
    trace.note(booked_as, formula, line.value, "mm", source, **{name: part.value for name, part in read.items()})
    return line


def _from_tube(
    measurement: BothSidesOfTube | TubeToMiddle | TubeToOuterFace | TubeToRingFace | MeasuredChainLine,
    read: Mapping[str, Uncertain],
) -> tuple[Uncertain, str, str]:
    match measurement:
        case BothSidesOfTube():
            return (read["far"] + read["near"]) / 2, "(far + near) / 2", _SHOP_PAGE
        case TubeToMiddle():
            line = read["tube_diameter"] / 2 + read["to_middle"]
            return line, "tube_diameter / 2 + to_middle", _WORKSHOP_FIGURES
        case TubeToOuterFace():
            line = read["tube_diameter"] / 2 + read["to_outer_face"] - read["rings_overall"] / 2
            return line, "tube_diameter / 2 + to_outer_face - rings_overall / 2", _WORKSHOP_FIGURES
        case TubeToRingFace():
            line = read["tube_diameter"] / 2 + read["to_ring_face"] - read["tooth_thickness"] / 2
            return line, "tube_diameter / 2 + to_ring_face - tooth_thickness / 2", _WORKSHOP_FIGURES
        case MeasuredChainLine():
            return read["chain_line"], "chain_line", "as measured"


def _rear(measurement: RearMeasurement, trace: Trace, booked_as: str) -> Uncertain:
    moved = axle.shift(measurement.axle_spacers, trace, booked_as)
    if isinstance(measurement, CountedSprocket):
        return _behind_locknut(measurement, [measurement.position], moved, trace, booked_as)[0]
    read = booked(measurement, booked_as)
    if isinstance(measurement, ClusterFromLocknut):
        read["width"] = _width(measurement.cluster, trace, booked_as)
    line, formula, source = _from_hub(measurement, read)
    line += moved
    inputs = {name: part.value for name, part in read.items()}
    trace.note(booked_as, f"{formula} + moved", line.value, "mm", source, **inputs, moved=moved.value)
    return line


def _from_hub(
    measurement: ClusterFromLocknut | SingleSprocket | HubFlanges, read: Mapping[str, Uncertain]
) -> tuple[Uncertain, str, str]:
    match measurement:
        case ClusterFromLocknut():
            line = read["locknut_width"] / 2 - read["gap"] - read["width"] / 2
            return line, "locknut_width / 2 - gap - width / 2", _CLUSTER_PAGE
        case SingleSprocket():
            line = read["locknut_width"] / 2 - read["to_sprocket"]
            return line, "locknut_width / 2 - to_sprocket", _SPACER_PAGE
        case HubFlanges():
            line = read["far_flange_to_sprockets"] - read["flange_spacing"] / 2
            return line, "far_flange_to_sprockets - flange_spacing / 2", _GEOMETRY


def _width(cluster: Cluster, trace: Trace, booked_as: str) -> Uncertain:
    step, each = pitch(cluster, booked_as), thickness(cluster, booked_as)
    width = step * (cluster.sprockets - 1) + each
    trace.note(
        f"{booked_as}: width of the cluster",
        "(sprockets - 1) * pitch + thickness",
        width.value,
        "mm",
        _GEOMETRY,
        sprockets=cluster.sprockets,
        pitch=step.value,
        thickness=each.value,
    )
    return width


def _offsets(measurement: RearMeasurement, trace: Trace, booked_as: str) -> list[Uncertain]:
    if isinstance(measurement, ClusterFromLocknut | CountedSprocket):
        moved = axle.shift(measurement.axle_spacers, _SILENT, booked_as)
        places = range(1, measurement.cluster.sprockets + 1)
        return _behind_locknut(measurement, places, moved, trace, booked_as)
    middle = _rear(measurement, _SILENT, booked_as)
    if isinstance(measurement, SingleSprocket) or not isinstance(measurement.cluster, Cluster):
        return [middle]
    return _about_middle(middle, measurement.cluster, trace, booked_as)


def _behind_locknut(
    measurement: ClusterFromLocknut | CountedSprocket,
    places: Iterable[int],
    moved: Uncertain,
    trace: Trace,
    booked_as: str,
) -> list[Uncertain]:
    parts = booked(measurement, booked_as)
    parts |= {"thickness": thickness(measurement.cluster, booked_as), "moved": moved}
    step = pitch(measurement.cluster, booked_as)
    first = parts["locknut_width"] / 2 - parts["gap"] - parts["thickness"] / 2 + moved
    offsets = [first - step * (position - 1) for position in places]
    inputs = {name: part.value for name, part in (parts | {"pitch": step}).items()}
    for position, offset in zip(places, offsets, strict=True):
        trace.note(
            f"{booked_as}: sprocket {position}",
            "locknut_width / 2 - gap - thickness / 2 - (position - 1) * pitch + moved",
            offset.value,
            "mm",
            _CLUSTER_PAGE,
            position=position,
            **inputs,
        )
    return offsets


def _about_middle(middle: Uncertain, cluster: Cluster, trace: Trace, booked_as: str) -> list[Uncertain]:
    step = pitch(cluster, booked_as)
    offsets = []
    for position in range(1, cluster.sprockets + 1):
        offset = middle + step * ((cluster.sprockets + 1) / 2 - position)
        trace.note(
            f"{booked_as}: sprocket {position}",
            "middle + ((sprockets + 1) / 2 - position) * pitch",
            offset.value,
            "mm",
            _GEOMETRY,
            middle=middle.value,
            sprockets=cluster.sprockets,
            position=position,
            pitch=step.value,
        )
        offsets.append(offset)
    return offsets


def _note_spread(line: Uncertain, trace: Trace, booked_as: str) -> None:
    if not trace.wanted:
        return
    parts = {re.sub(r"\W+", "_", source).strip("_"): part for source, part in line.parts.items()}
    formula = f"2 * sqrt({' + '.join(f'{name} ** 2' for name in parts)})"
    trace.note(f"{booked_as}: plus-minus", formula, COVERAGE * line.sd, "mm", _GUM, **parts)
