"""Rings against sprockets: how far each gear's chain runs aslant, and what follows.

Rings are numbered from the outermost, which is the largest, and sprockets from the outermost, which is the smallest.
An offset or angle is positive where the ring stands further out than the sprocket.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Annotated, Final, Literal

import msgspec

from cotterline.bench.chain import axle, chainline, drop_through, gear
from cotterline.bench.chain.axle import SpacerEffect, WasherMove
from cotterline.bench.chain.cluster import CHAINS
from cotterline.bench.chain.drop_through import DropThrough
from cotterline.bench.chain.gear import Extremes, Gear
from cotterline.bench.chain.methods import (
    ClusterFromLocknut,
    CountedSprocket,
    RearMeasurement,
    booked,
    sprocket_count,
)
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import (
    COVERAGE,
    Length,
    Reading,
    Uncertain,
    check_span,
    probability,
    refuse,
    within,
)
from cotterline.bench.shop import ShopSettings

_SPACING_SPAN: Final = (2.0, 20.0)
_RING_SPAN: Final = (1.0, 6.0)
_CHAINSTAY_SPAN: Final = (350.0, 560.0)
_CHAIN_SPAN: Final = (4.0, 12.0)
_GEOMETRY: Final = "plane geometry, no source needed"
_EVEN: Final = "The rings are evenly spaced, and the chain line is that of their middle."

Teeth = Annotated[int, msgspec.Meta(ge=6, le=80)]


class Rings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The chainrings.

    Attributes:
        count: how many.
        spacing: middle to middle of neighbouring rings. It differs from crank to crank, so it has no default: more
            than one ring needs it.
        thickness: of one ring at the teeth; needed to say whether the chain can drop between two.
        teeth: of each ring, outermost first.
    """

    count: Annotated[int, msgspec.Meta(ge=1, le=3)]
    spacing: Reading | msgspec.UnsetType = msgspec.UNSET
    thickness: Reading | msgspec.UnsetType = msgspec.UNSET
    teeth: Annotated[tuple[Teeth, ...], msgspec.Meta(max_length=3)] = ()


class Drivetrain(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything the chain runs between, save where the rings stand.

    Attributes:
        rings: the chainrings.
        rear: how the rear chain line was measured.
        chainstay_length: middle of the bottom bracket to middle of the rear axle.
        sprocket_teeth: of each sprocket, outermost first.
        chain_speeds: what the chain was made for; gives its width by the table.
        chain_width: over the pins, where measured.
    """

    rings: Rings
    rear: RearMeasurement
    chainstay_length: Reading
    sprocket_teeth: Annotated[tuple[Teeth, ...], msgspec.Meta(max_length=13)] = ()
    chain_speeds: Annotated[int, msgspec.Meta(ge=1, le=13)] | msgspec.UnsetType = msgspec.UNSET
    chain_width: Reading | msgspec.UnsetType = msgspec.UNSET


class Place(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A ring or sprocket: its number counted from the outermost, and its distance outward from the mid-plane."""

    number: int
    offset: Length
    teeth: int | msgspec.UnsetType = msgspec.UNSET


class Mismatch(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Front less rear chain line, against the shop's tolerance."""

    difference: Length
    within_tolerance: bool
    within_probability: float


class Unchecked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A question left open, and what to measure to close it."""

    check: Literal["drop_through"]
    missing: tuple[str, ...]


class DrivetrainResult(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where rings and sprockets stand, and how the chain runs between them.

    ``gears`` goes ring by ring, outermost first, and in each ring sprocket by sprocket, outermost first.
    """

    front: Length
    rear: Length
    mismatch: Mismatch
    rings: tuple[Place, ...]
    sprockets: tuple[Place, ...]
    gears: tuple[Gear, ...]
    extremes: Extremes
    gears_beyond_limit: int
    angle_limit_degrees: float
    assumptions: tuple[str, ...]
    washer_move: WasherMove
    spacers: SpacerEffect | msgspec.UnsetType = msgspec.UNSET
    drop_through: DropThrough | msgspec.UnsetType = msgspec.UNSET
    unchecked: tuple[Unchecked, ...] = ()


def gears(
    front: Uncertain, drivetrain: Drivetrain, settings: ShopSettings, trace: Trace, pointer: str = ""
) -> DrivetrainResult:
    """How the chain runs from a front chain line in mm that is already known or predicted; lengths stay in mm.

    Raises:
        CotterlineError: ``impossible-value``, with every fault of ``drivetrain`` below ``pointer``.
    """
    refuse(list(check_drivetrain(drivetrain, pointer)))
    return lay_out(front, drivetrain, settings, trace)


def check_drivetrain(drivetrain: Drivetrain, pointer: str) -> Iterator[Fault]:
    """Yield everything that cannot be right about ``drivetrain``, or is missing."""
    yield from _check_rings(drivetrain.rings, f"{pointer}/rings")
    yield from chainline.check_rear(drivetrain.rear, f"{pointer}/rear")
    stay = drivetrain.chainstay_length
    yield from check_span(stay, _CHAINSTAY_SPAN, "chainstay length", f"{pointer}/chainstay_length")
    yield from _check_chain(drivetrain, pointer)
    count = sprocket_count(drivetrain.rear)
    yield from _check_teeth(drivetrain.sprocket_teeth, count, 1, f"{pointer}/sprocket_teeth")


def lay_out(front: Uncertain, drivetrain: Drivetrain, settings: ShopSettings, trace: Trace) -> DrivetrainResult:
    """As ``gears``, for a drivetrain that has been checked."""
    rear, sprockets = chainline.wheel(drivetrain.rear, trace)
    rings = _ring_offsets(front, drivetrain.rings, trace)
    chainstay = drivetrain.chainstay_length.uncertain("chainstay length")
    combined = gear.combine(rings, sprockets, chainstay, settings.angle_limit_degrees, trace)
    drop = _drop_through(drivetrain, trace)
    return DrivetrainResult(
        front=front.length,
        rear=rear.length,
        mismatch=_mismatch(front, rear, settings.chain_line_tolerance_mm, trace),
        rings=_places(rings, drivetrain.rings.teeth),
        sprockets=_places(sprockets, drivetrain.sprocket_teeth),
        gears=combined,
        extremes=gear.extremes(combined),
        gears_beyond_limit=sum(each.beyond_limit for each in combined),
        angle_limit_degrees=settings.angle_limit_degrees,
        assumptions=(*chainline.assumptions(drivetrain.rear), *([_EVEN] if len(rings) > 1 else [])),
        washer_move=axle.washer_move(front, rear, _gap(drivetrain.rear), trace),
        spacers=_spacer_effect(drivetrain.rear, rear),
        drop_through=drop if isinstance(drop, DropThrough) else msgspec.UNSET,
        unchecked=(drop,) if isinstance(drop, Unchecked) else (),
    )


def _check_rings(rings: Rings, pointer: str) -> Iterator[Fault]:
    if isinstance(rings.spacing, Reading):
        yield from check_span(rings.spacing, _SPACING_SPAN, "ring spacing", f"{pointer}/spacing")
        if rings.count == 1:
            yield Fault(f"{pointer}/spacing", "a single ring has no spacing")
    elif rings.count > 1:
        yield Fault(f"{pointer}/spacing", "measure it, middle of ring to middle of ring: it differs between cranks")
    if isinstance(rings.thickness, Reading):
        yield from check_span(rings.thickness, _RING_SPAN, "ring thickness", f"{pointer}/thickness")
        if isinstance(rings.spacing, Reading) and rings.thickness.mm >= rings.spacing.mm:
            yield Fault(f"{pointer}/thickness", "must be less than the spacing")
    yield from _check_teeth(rings.teeth, rings.count, -1, f"{pointer}/teeth")


def _check_teeth(teeth: Sequence[int], count: int, direction: int, pointer: str) -> Iterator[Fault]:
    if teeth and len(teeth) != count:
        yield Fault(pointer, f"must have {count} entries, outermost first, or none")
    for index, (outer, inner) in enumerate(pairwise(teeth), start=1):
        if (inner - outer) * direction <= 0:
            order = "more" if direction > 0 else "fewer"
            yield Fault(f"{pointer}/{index}", f"must be {order} than the one outside it: the order is outermost first")


def _check_chain(drivetrain: Drivetrain, pointer: str) -> Iterator[Fault]:
    speeds, width = drivetrain.chain_speeds, drivetrain.chain_width
    if isinstance(width, Reading):
        yield from check_span(width, _CHAIN_SPAN, "chain width", f"{pointer}/chain_width")
        if isinstance(speeds, int):
            yield Fault(f"{pointer}/chain_speeds", "give the chain's width or its speeds, not both")
    elif isinstance(speeds, int) and speeds not in CHAINS:
        yield Fault(
            f"{pointer}/chain_speeds", f"no table gives the width of a {speeds}-speed chain: measure chain_width"
        )


def _ring_offsets(front: Uncertain, rings: Rings, trace: Trace) -> list[Uncertain]:
    if not isinstance(rings.spacing, Reading):
        return [front]
    spacing = rings.spacing.uncertain("ring spacing")
    offsets = []
    for number in range(1, rings.count + 1):
        offset = front + spacing * ((rings.count + 1) / 2 - number)
        trace.note(
            f"ring {number}",
            "front + ((rings + 1) / 2 - number) * spacing",
            offset.value,
            "mm",
            _GEOMETRY,
            front=front.value,
            rings=rings.count,
            number=number,
            spacing=spacing.value,
        )
        offsets.append(offset)
    return offsets


def _places(offsets: Sequence[Uncertain], teeth: Sequence[int]) -> tuple[Place, ...]:
    named: Sequence[int | msgspec.UnsetType] = teeth or [msgspec.UNSET] * len(offsets)
    return tuple(
        Place(number, offset.length, each)
        for number, (offset, each) in enumerate(zip(offsets, named, strict=True), start=1)
    )


def _mismatch(front: Uncertain, rear: Uncertain, tolerance: float, trace: Trace) -> Mismatch:
    difference = front - rear
    trace.note("front less rear", "front - rear", difference.value, "mm", _GEOMETRY, front=front.value, rear=rear.value)
    return Mismatch(
        difference=difference.length,
        within_tolerance=abs(difference.value) <= tolerance,
        within_probability=probability(within(difference.value, difference.sd, -tolerance, tolerance)),
    )


def _gap(rear: RearMeasurement) -> Uncertain | None:
    if not isinstance(rear, ClusterFromLocknut | CountedSprocket):
        return None
    return booked(rear, chainline.REAR)["gap"] + axle.growth(rear.axle_spacers, "drive", chainline.REAR)


def _spacer_effect(rear: RearMeasurement, after: Uncertain) -> SpacerEffect | msgspec.UnsetType:
    if not rear.axle_spacers:
        return msgspec.UNSET
    drive = axle.growth(rear.axle_spacers, "drive", chainline.REAR)
    non_drive = axle.growth(rear.axle_spacers, "non_drive", chainline.REAR)
    shift = (non_drive - drive) / 2
    return SpacerEffect(
        before=(after - shift).length,
        after=after.length,
        shift=shift.length,
        locknut_width_change=(non_drive + drive).length,
    )


def _drop_through(drivetrain: Drivetrain, trace: Trace) -> DropThrough | Unchecked | None:
    rings = drivetrain.rings
    if rings.count == 1 or not isinstance(rings.spacing, Reading):
        return None
    width = _chain_width(drivetrain)
    if not isinstance(rings.thickness, Reading) or width is None:
        known = {"rings/thickness": isinstance(rings.thickness, Reading), "chain_width": width is not None}
        return Unchecked("drop_through", tuple(name for name, given in known.items() if not given))
    thickness = rings.thickness.uncertain("ring thickness")
    return drop_through.judge(rings.spacing.uncertain("ring spacing"), thickness, width, trace)


def _chain_width(drivetrain: Drivetrain) -> Uncertain | None:
    if isinstance(drivetrain.chain_width, Reading):
        return drivetrain.chain_width.uncertain("chain width")
    if isinstance(drivetrain.chain_speeds, int):
        row = CHAINS[drivetrain.chain_speeds]
        return Uncertain.of(row.outer_width, row.plus_minus / COVERAGE, "chain width")
    return None
