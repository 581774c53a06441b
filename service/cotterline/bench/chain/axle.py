"""Washers on the rear axle: how a change of them shifts the wheel's hub between the dropouts."""

from collections.abc import Iterator, Sequence
from typing import Final, Literal

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Length, Reading, Side, Uncertain, check_span

SOURCE: Final = "the hub centres itself between the dropouts; plane geometry, no source needed"
USUAL_GAP: Final = 3.0
"""Least usual gap in mm of drive-side locknut face to smallest sprocket. Common practice, no source."""

_THICKNESS_SPAN: Final = (0.2, 20.0)
_CAUTION: Final = (
    "Dish the rim over by the same shift afterwards; keep enough axle thread in both nuts, and check brake, changer "
    "and chainstay clearance before riding."
)


class AxleSpacer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A change of washers on the rear axle since the wheel was measured.

    Attributes:
        side: the side of the axle it concerns.
        change: ``added`` to that side, ``removed`` from it, or ``moved_here`` from the other side.
        thickness: of the washer.
    """

    side: Side
    change: Literal["added", "removed", "moved_here"]
    thickness: Reading


class SpacerEffect(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the changed washers did to the rear chain line, and to the width over the locknuts."""

    before: Length
    after: Length
    shift: Length
    locknut_width_change: Length


class WasherMove(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The axle washer that would bring the rear chain line onto the front one.

    Attributes:
        move_from: the side to take it from; it goes to the other. The width over the locknuts stays.
        thickness: of that washer.
        or_add_on: the side on which to add a washer instead.
        or_add_thickness: of the added washer; the width over the locknuts grows by it.
        caution: what must follow.
        gap_after_move: locknut face to smallest sprocket after the move, where known.
        keeps_usual_gap: whether that gap is at least the usual one.
    """

    move_from: Side
    thickness: Length
    or_add_on: Side
    or_add_thickness: Length
    caution: str
    gap_after_move: Length | msgspec.UnsetType = msgspec.UNSET
    keeps_usual_gap: bool | msgspec.UnsetType = msgspec.UNSET


def check_spacers(spacers: Sequence[AxleSpacer], pointer: str) -> Iterator[Fault]:
    """Yield the washers whose thickness is impossible."""
    for index, spacer in enumerate(spacers):
        yield from check_span(spacer.thickness, _THICKNESS_SPAN, "washer thickness", f"{pointer}/{index}/thickness")


def growth(spacers: Sequence[AxleSpacer], side: Side, booked_as: str) -> Uncertain:
    """By how much the axle's stack of washers grew on ``side``; a moved washer counts on both sides, as one error."""
    total = Uncertain(0.0)
    for number, spacer in enumerate(spacers, start=1):
        thickness = spacer.thickness.uncertain(f"{booked_as}: axle washer {number}")
        here = spacer.side == side
        if here:
            total = total - thickness if spacer.change == "removed" else total + thickness
        elif spacer.change == "moved_here":
            total = total - thickness
    return total


def shift(spacers: Sequence[AxleSpacer], trace: Trace, booked_as: str) -> Uncertain:
    """How far the changes move the sprockets outward, in mm; negative is inward.

    >>> washer = AxleSpacer(side="drive", change="moved_here", thickness=Reading(value=2, tool="caliper"))
    >>> shift([washer], Trace(), "rear").value
    -2.0
    """
    if not spacers:
        return Uncertain(0.0)
    non_drive, drive = growth(spacers, "non_drive", booked_as), growth(spacers, "drive", booked_as)
    moved = (non_drive - drive) / 2
    trace.note(
        f"{booked_as}: shift by axle washers",
        "(non_drive - drive) / 2",
        moved.value,
        "mm",
        SOURCE,
        non_drive=non_drive.value,
        drive=drive.value,
    )
    return moved


def washer_move(front: Uncertain, rear: Uncertain, gap: Uncertain | None, trace: Trace) -> WasherMove:
    """The washer that would bring the rear chain line onto the front one; all in mm, as they now are.

    The published case (west5cycles, 2008): front 46, rear 48, cured by a 2 mm washer.

    >>> move = washer_move(Uncertain(46.0), Uncertain(48.0), None, Trace())
    >>> move.move_from, move.thickness.value
    ('non_drive', 2.0)
    """
    difference = front - rear
    outward = difference.value > 0
    thickness = difference if outward else -difference
    trace.note(
        "axle washer to move",
        "max(front - rear, rear - front)",
        thickness.value,
        "mm",
        SOURCE,
        front=front.value,
        rear=rear.value,
    )
    move = WasherMove(
        move_from="drive" if outward else "non_drive",
        thickness=thickness.length,
        or_add_on="non_drive" if outward else "drive",
        or_add_thickness=(thickness * 2).length,
        caution=_CAUTION,
    )
    if gap is None:
        return move
    after = gap - difference
    trace.note(
        "gap after the move",
        "gap + rear - front",
        after.value,
        "mm",
        SOURCE,
        gap=gap.value,
        rear=rear.value,
        front=front.value,
    )
    return msgspec.structs.replace(move, gap_after_move=after.length, keeps_usual_gap=after.value >= USUAL_GAP)
