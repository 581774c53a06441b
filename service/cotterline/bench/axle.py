"""Washers on the rear axle: how a change of them shifts the wheel's hub between the dropouts."""

from collections.abc import Iterator, Sequence
from typing import Final, Literal

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Reading, Side, Uncertain, check_span

SOURCE: Final = "the hub centres itself between the dropouts; plane geometry, no source needed"
_THICKNESS_SPAN: Final = (0.2, 20.0)


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
    non_drive, drive = growth(spacers, "non_drive", booked_as), growth(spacers, "drive", booked_as)
    moved = (non_drive - drive) / 2
    if spacers:
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
