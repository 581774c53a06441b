"""Random evidence for the laws: any evidence at all, and truthful evidence about a shell that is known."""

from collections.abc import Callable, Iterable
from typing import Any, get_args

from hypothesis import strategies as st
from msgspec import UNSET

from cotterline.bench.quantity import TOOL_PLUS_MINUS, Reading, Side, Tool
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
    kind,
    side,
)
from cotterline.bench.shell.families import SHELLS, Family, Hand, Shell
from tests.bench.brute_force import STAMPED_AS

SIDES = st.sampled_from(get_args(Side))
TOOLS = st.sampled_from(get_args(Tool))
TRUE_STAMPS: dict[str, tuple[str, ...]] = {
    "iso_english": ("1.37x24", "B.C. 1.37 x 24", "34.8 x 24", "M35x24"),
    "italian": ("36x24", "36 mm x 24 TPI"),
    "french": ("35 x 1", "M35x1"),
    "swiss": ("35 x 1", "M35x1"),
    "british_26": ("1.37x26", "1 3/8 x 26"),
    "whitworth_26": ("1 3/8 x 26",),
    "oversize_26": ("1.45x26",),
    "t47": ("T47", "47x1"),
    "m48": ("M48x1.5",),
}


def _readings(near: Iterable[float], low: float, high: float) -> st.SearchStrategy[Reading]:
    around = st.builds(lambda size, off: round(size + off, 2), st.sampled_from(sorted(near)), st.floats(-0.6, 0.6))
    values = around | st.floats(low, high).map(lambda value: round(value, 2))
    spreads = st.just(UNSET) | st.floats(0.05, 2.0).map(lambda value: round(value, 2))
    return st.builds(
        lambda value, tool, spread: Reading(value=value, tool=tool, plus_minus=spread), values, TOOLS, spreads
    )


GAUGES = st.builds(
    lambda side, leaf, length: PitchGauge(side=side, leaf=leaf[0], leaf_unit=leaf[1], thread_length=length),
    SIDES,
    st.sampled_from(
        [(20.0, "tpi"), (24.0, "tpi"), (25.0, "tpi"), (26.0, "tpi"), (1.0, "mm"), (1.25, "mm"), (1.5, "mm")]
    ),
    st.just(UNSET) | st.floats(3, 30).map(lambda value: Reading(value=round(value, 1))),
)
COUNTS = st.builds(
    lambda side, crests, pitch, tool: CrestCount(
        side=side, crests=crests, length=Reading(value=round((crests - 1) * pitch, 2), tool=tool)
    ),
    SIDES,
    st.integers(4, 20),
    st.sampled_from([25.4 / 24, 25.4 / 26, 1.0, 1.5]) | st.floats(0.6, 2.5),
    TOOLS,
)
CUPS = st.builds(
    lambda side, reading: CupOutsideDiameter(side=side, reading=reading),
    SIDES,
    _readings([34.7, 34.9, 35.8, 36.7, 46.8, 47.8, 40.0], 28.1, 54.9),
)
INSIDES = st.builds(
    lambda side, reading: ShellInsideDiameter(side=side, reading=reading),
    SIDES,
    _readings([33.8, 34.0, 34.9, 35.9, 46.0, 46.6, 40.0], 28.1, 54.9),
)
WIDTHS = st.builds(
    lambda reading: ShellWidth(reading=reading), _readings([68, 70, 71, 73, 76, 83, 86.5, 92, 100], 60.1, 109.9)
)
HANDS = st.builds(lambda side, hand: CupHand(side=side, hand=hand), SIDES, st.sampled_from(get_args(Hand)))
BORES = st.builds(lambda side, look: Bore(side=side, look=look), SIDES, st.sampled_from(get_args(Look)))
STAMPS = st.builds(lambda side, text: Stamp(side=side, text=text), SIDES, st.sampled_from(sorted(STAMPED_AS)))
FITTINGS = st.builds(lambda raised: CupFittings(raised=raised), st.sampled_from(get_args(Raised)))
FLATS = st.builds(lambda reading: FixedCupFlats(reading=reading), _readings([35, 36, 38, 40], 28.1, 49.9))
CRANKS = st.builds(
    lambda crank: OldCrank(crank=crank), st.sampled_from(["cottered", "square_taper", "one_piece", "splined"])
)
ORIGINS = st.builds(
    lambda country, years: Origin(country=country, earliest_year=min(years), latest_year=max(years)),
    st.sampled_from(["GB", "FR", "IT", "CH", "DE", "JP", "US", "NZ"]) | st.just(UNSET),
    st.tuples(st.integers(1900, 2026), st.integers(1900, 2026)),
)
OF_THE_SHELL = st.one_of(GAUGES, COUNTS, CUPS, INSIDES, WIDTHS, HANDS, BORES, STAMPS, FITTINGS, FLATS)
ANY_ITEM = OF_THE_SHELL | CRANKS | ORIGINS


def _of_one_bicycle(items: list[Evidence]) -> tuple[Evidence, ...]:
    """Without a second origin, a second crank, or a second word on one side's bore."""
    seen: set[tuple[str, str | None]] = set()
    kept = []
    for item in items:
        place = kind(item), side(item)
        if isinstance(item, OldCrank | Origin | Bore) and place in seen:
            continue
        seen.add(place)
        kept.append(item)
    return tuple(kept)


ANY_EVIDENCE = st.lists(ANY_ITEM, min_size=1, max_size=8).map(_of_one_bicycle)
"""Any evidence that passes the check, coherent or not."""

SHUFFLED = ANY_EVIDENCE.filter(lambda items: len(items) > 1).flatmap(
    lambda items: st.tuples(st.just(items), st.permutations(items))
)
"""The same evidence twice, in two orders."""


def _read(draw: st.DrawFn, size: float, tool: Tool) -> Reading:
    """A reading no further off than its tool's plus-minus."""
    off = TOOL_PLUS_MINUS[tool]
    return Reading(value=round(size + draw(st.floats(-off, off)), 2), tool=tool)


def _true_gauge(draw: st.DrawFn, family: Family, where: Side) -> Evidence | None:
    if family.pitch is None:
        return None
    leaf: tuple[float, Any] = (family.pitch.value, family.pitch.unit)
    if leaf in {(26.0, "tpi"), (1.0, "mm")}:
        leaf = draw(st.sampled_from([(26.0, "tpi"), (1.0, "mm")]))
    return PitchGauge(side=where, leaf=leaf[0], leaf_unit=leaf[1])


def _true_count(draw: st.DrawFn, family: Family, where: Side) -> Evidence | None:
    if family.pitch is None:
        return None
    crests = draw(st.integers(6, 10))
    return CrestCount(side=where, crests=crests, length=_read(draw, (crests - 1) * family.pitch.mm, "caliper"))


def _true_cup(draw: st.DrawFn, family: Family, where: Side) -> Evidence | None:
    if not family.threaded:
        return None
    limits = draw(st.sampled_from(family.cups))
    size = draw(st.floats(limits.low, limits.high)) - draw(st.floats(0, 0.2))
    return CupOutsideDiameter(side=where, reading=_read(draw, size, draw(st.sampled_from(["caliper", "ruler"]))))


def _true_inside(draw: st.DrawFn, family: Family, where: Side) -> Evidence:
    limits = draw(st.sampled_from(family.bores))
    size = draw(st.floats(limits.low, limits.high))
    return ShellInsideDiameter(side=where, reading=_read(draw, size, "caliper"))


def _true_hand(_: st.DrawFn, family: Family, where: Side) -> Evidence | None:
    which = family.hand(where)
    return None if which is None else CupHand(side=where, hand=which)


def _true_stamp(draw: st.DrawFn, family: Family, where: Side) -> Evidence | None:
    texts = TRUE_STAMPS.get(family.id)
    return None if texts is None else Stamp(side=where, text=draw(st.sampled_from(texts)))


def _true_bore(_: st.DrawFn, family: Family, where: Side) -> Evidence:
    return Bore(side=where, look="threaded" if family.threaded else "plain")


_TRUE: tuple[Callable[[st.DrawFn, Family, Side], Evidence | None], ...] = (
    _true_gauge,
    _true_count,
    _true_cup,
    _true_inside,
    _true_hand,
    _true_stamp,
    _true_bore,
)
UNTOUCHED = tuple(shell for shell in SHELLS if not shell.mixed)


@st.composite
def truthful(draw: st.DrawFn) -> tuple[Shell, tuple[Evidence, ...]]:
    """A shell with one thread, and readings of it that are right to within their tools."""
    shell = draw(st.sampled_from(UNTOUCHED))
    places = draw(st.lists(st.tuples(st.sampled_from(_TRUE), SIDES), min_size=1, max_size=7, unique=True))
    items = [make(draw, shell.at(where), where) for make, where in places]
    found: list[Evidence] = [item for item in items if item is not None]
    if draw(st.sampled_from([True, True, True, False])):
        tool: Tool = draw(st.sampled_from(["ruler", "caliper"]))
        found.append(ShellWidth(reading=_read(draw, shell.width, tool)))
    if draw(st.booleans()):
        found.append(OldCrank(crank=draw(st.sampled_from(["cottered", "square_taper"]))))
    return shell, tuple(found) or (Bore(side="drive", look="threaded" if shell.drive.threaded else "plain"),)
