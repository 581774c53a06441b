"""Evidence as a mechanic would state it, in few words: what the tests of the verdict are written in."""

from typing import Literal

from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Reading, Side, Tool
from cotterline.bench.shell.evidence import (
    Bore,
    CrestCount,
    CupFittings,
    CupHand,
    CupOutsideDiameter,
    Evidence,
    FixedCupFlats,
    Look,
    OldCrank,
    Origin,
    PitchGauge,
    Raised,
    ShellInsideDiameter,
    ShellWidth,
    Stamp,
)
from cotterline.bench.shell.families import Hand
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict, verdict


def mm(value: float, tool: Tool = "caliper") -> Reading:
    """A reading in millimetres."""
    return Reading(value=value, tool=tool)


def gauge(
    leaf: float, unit: Literal["tpi", "mm"] = "tpi", side: Side = "drive", over: float | UnsetType = UNSET
) -> PitchGauge:
    """A pitch-gauge leaf that fits, over so many mm of thread."""
    length = over if isinstance(over, UnsetType) else mm(over, "ruler")
    return PitchGauge(side=side, leaf=leaf, leaf_unit=unit, thread_length=length)


def crests(count: int, length: float, side: Side = "drive", tool: Tool = "caliper") -> CrestCount:
    """So many crests over a length."""
    return CrestCount(side=side, crests=count, length=mm(length, tool))


def cup(value: float, side: Side = "drive", tool: Tool = "caliper") -> CupOutsideDiameter:
    """A cup's outside diameter."""
    return CupOutsideDiameter(side=side, reading=mm(value, tool))


def inside(value: float, side: Side = "drive", tool: Tool = "caliper") -> ShellInsideDiameter:
    """A shell's inside diameter."""
    return ShellInsideDiameter(side=side, reading=mm(value, tool))


def width(value: float, tool: Tool = "ruler") -> ShellWidth:
    """A shell's width."""
    return ShellWidth(reading=mm(value, tool))


def hand(which: Hand, side: Side = "drive") -> CupHand:
    """The hand of a cup's thread."""
    return CupHand(side=side, hand=which)


def bore(look: Look, side: Side = "drive") -> Bore:
    """A threaded or a plain bore."""
    return Bore(side=side, look=look)


def stamp(text: str, side: Side = "drive") -> Stamp:
    """What is stamped on a cup."""
    return Stamp(side=side, text=text)


def fittings(raised: Raised) -> CupFittings:
    """Where a raised tool fitting stands."""
    return CupFittings(raised=raised)


def flats(value: float, tool: Tool = "caliper") -> FixedCupFlats:
    """The fixed cup across its flats."""
    return FixedCupFlats(reading=mm(value, tool))


def crank(which: Literal["cottered", "square_taper", "one_piece", "splined"]) -> OldCrank:
    """The crank the bicycle came with."""
    return OldCrank(crank=which)


def origin(country: str | UnsetType = UNSET, first: int | UnsetType = UNSET, last: int | UnsetType = UNSET) -> Origin:
    """Where and when it was made."""
    return Origin(country=country, earliest_year=first, latest_year=last)


def judged(*evidence: Evidence) -> Verdict:
    """The verdict with the derivation, as an untouched shop would get it."""
    return verdict(evidence, ShopSettings(), Trace())


COTTERED = (width(67), gauge(24), hand("left"), crank("cottered"))
"""A cottered bicycle, shell read at 67 mm on a ruler, 24 tpi, left-hand drive cup: ISO/English in a 68 mm shell."""

RAISED = (fittings("both"), width(71, "caliper"), gauge(26), hand("left"), crank("cottered"))
"""The same bicycle with raised fittings on both cups, a 71 mm shell and 26 tpi: no stock unit fits."""
