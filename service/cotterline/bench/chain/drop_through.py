"""Whether the chain can fall between two rings and jam there."""

from typing import Final

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Length, Uncertain, probability, within

SOURCE: Final = "the chain falls in where the gap is wider than itself; common practice, no source"


class DropThrough(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Whether the chain can fall between two rings.

    Attributes:
        gap: between the facing sides of two rings.
        chain_width: over the pins.
        margin: gap less chain width; above zero the chain fits in.
        possible: whether ``margin`` is above zero.
        probability: that it truly is.
    """

    gap: Length
    chain_width: Length
    margin: Length
    possible: bool
    probability: float


def judge(spacing: Uncertain, thickness: Uncertain, chain_width: Uncertain, trace: Trace) -> DropThrough:
    """Compare the gap between two rings with the chain; all in mm.

    >>> judge(Uncertain(8.0), Uncertain(2.0), Uncertain(7.1), Trace()).possible
    False
    """
    gap = spacing - thickness
    margin = gap - chain_width
    trace.note(
        "drop-through margin",
        "spacing - thickness - chain_width",
        margin.value,
        "mm",
        SOURCE,
        spacing=spacing.value,
        thickness=thickness.value,
        chain_width=chain_width.value,
    )
    return DropThrough(
        gap=gap.length,
        chain_width=chain_width.length,
        margin=margin.length,
        possible=margin.value > 0,
        probability=probability(1.0 - within(margin.value, margin.sd, -float("inf"), 0.0)),
    )
