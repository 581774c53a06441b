"""What a mechanic can observe about a shell before ordering: one struct a kind, any subset of them.

Ranges are what the trade has built, with room to spare; a reading outside is a mistake of the pen or the unit and is
refused by name, before anything is computed.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Annotated, ClassVar, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import MM_PER_INCH, Reading, Side, check_span, refuse
from cotterline.bench.shell.families import Hand

Span = tuple[float, float]
Look = Literal["threaded", "plain"]
Raised = Literal["both", "adjustable_only", "neither"]


class _Evidence(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind"):
    """Common to every kind."""

    def faults(self, pointer: str) -> Iterator[Fault]:  # noqa: ARG002 - most kinds have nothing to check
        """Faults of this item alone; ``pointer`` leads to it."""
        yield from ()


class PitchGauge(_Evidence, frozen=True, tag="pitch_gauge"):
    """The leaf of a pitch gauge that sat best on one side's thread.

    Attributes:
        side: which side's cup or shell.
        leaf: the leaf's number, in ``leaf_unit``.
        leaf_unit: threads per inch, or millimetres of pitch.
        thread_length: how much thread the leaf lay on; the shorter, the less it tells. 9 mm unless said otherwise.
    """

    side: Side
    leaf: Annotated[float, Meta(gt=0, le=64)]
    leaf_unit: Literal["tpi", "mm"]
    thread_length: Reading | UnsetType = UNSET

    length_span: ClassVar[Span] = (2, 40)

    @property
    def pitch_mm(self) -> float:
        """Pitch the leaf stands for, mm."""
        return MM_PER_INCH / self.leaf if self.leaf_unit == "tpi" else self.leaf

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A leaf or a length no bottom bracket has."""
        low, high = (8, 64) if self.leaf_unit == "tpi" else (0.4, 3)
        if not low <= self.leaf <= high:
            yield Fault(f"{pointer}/leaf", f"a leaf must be {low:g} to {high:g} {self.leaf_unit}; got {self.leaf:g}")
        if not isinstance(self.thread_length, UnsetType):
            yield from check_span(
                self.thread_length, self.length_span, "a length of thread", f"{pointer}/thread_length"
            )


class CrestCount(_Evidence, frozen=True, tag="crest_count"):
    """A number of thread crests and the distance from the first of them to the last."""

    side: Side
    crests: Annotated[int, Meta(ge=3, le=60)]
    length: Reading

    pitch_span: ClassVar[Span] = (0.4, 3)

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A length no pitch of the trade explains."""
        span = (self.pitch_span[0] * (self.crests - 1), self.pitch_span[1] * (self.crests - 1))
        yield from check_span(self.length, span, f"the length over {self.crests} crests", f"{pointer}/length")


class CupOutsideDiameter(_Evidence, frozen=True, tag="cup_outside_diameter"):
    """A cup's outside diameter over the crests of its thread."""

    side: Side
    reading: Reading

    span: ClassVar[Span] = (28, 55)

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A diameter no cup has."""
        yield from check_span(self.reading, self.span, "a cup's outside diameter", f"{pointer}/reading")


class ShellInsideDiameter(_Evidence, frozen=True, tag="shell_inside_diameter"):
    """What a caliper reads inside the shell: between thread crests, or across a plain bore."""

    side: Side
    reading: Reading

    span: ClassVar[Span] = (28, 55)

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A diameter no shell has."""
        yield from check_span(self.reading, self.span, "a shell's inside diameter", f"{pointer}/reading")


class ShellWidth(_Evidence, frozen=True, tag="shell_width"):
    """The shell's width from face to face, without cups."""

    reading: Reading

    span: ClassVar[Span] = (60, 110)

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A width no shell has."""
        yield from check_span(self.reading, self.span, "a shell's width", f"{pointer}/reading")


class CupHand(_Evidence, frozen=True, tag="cup_hand"):
    """The hand of one cup's thread; a left-hand cup unscrews clockwise."""

    side: Side
    hand: Hand


class Bore(_Evidence, frozen=True, tag="bore"):
    """Whether the shell has a thread on that side at all."""

    side: Side
    look: Look


class Stamp(_Evidence, frozen=True, tag="stamp"):
    """What is stamped on a cup, as read."""

    side: Side
    text: Annotated[str, Meta(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f]+(?![\s\S])")]


class CupFittings(_Evidence, frozen=True, tag="cup_fittings"):
    """On which cups a raised fitting for the tool stands."""

    raised: Raised


class FixedCupFlats(_Evidence, frozen=True, tag="fixed_cup_flats"):
    """The fixed cup's size across its flats."""

    reading: Reading

    span: ClassVar[Span] = (28, 50)

    def faults(self, pointer: str) -> Iterator[Fault]:
        """A size no fixed cup has."""
        yield from check_span(self.reading, self.span, "a fixed cup's flats", f"{pointer}/reading")


class OldCrank(_Evidence, frozen=True, tag="old_crank"):
    """The kind of crank on the bicycle as it came in."""

    crank: Literal["cottered", "square_taper", "one_piece", "splined"]


class Origin(_Evidence, frozen=True, tag="origin"):
    """Where and when the bicycle was made, as far as known: a hint, never proof.

    Attributes:
        country: ISO 3166-1 alpha-2 code of the country of make.
        earliest_year: first year it can have been made, 1880 to 2100.
        latest_year: last year it can have been made.
    """

    country: Annotated[str, Meta(pattern=r"^[A-Z]{2}(?![\s\S])")] | UnsetType = UNSET
    earliest_year: Annotated[int, Meta(ge=1880, le=2100)] | UnsetType = UNSET
    latest_year: Annotated[int, Meta(ge=1880, le=2100)] | UnsetType = UNSET

    @property
    def years(self) -> tuple[int, int] | None:
        """First and last year, the same where only one is known."""
        known = [year for year in (self.earliest_year, self.latest_year) if not isinstance(year, UnsetType)]
        return (known[0], known[-1]) if known else None

    def faults(self, pointer: str) -> Iterator[Fault]:
        """Years the wrong way round."""
        if self.years and self.years[0] > self.years[1]:
            yield Fault(f"{pointer}/latest_year", "the latest year comes before the earliest")


Evidence = (
    PitchGauge
    | CrestCount
    | CupOutsideDiameter
    | ShellInsideDiameter
    | ShellWidth
    | CupHand
    | Bore
    | Stamp
    | CupFittings
    | FixedCupFlats
    | OldCrank
    | Origin
)
EvidenceList = Annotated[tuple[Evidence, ...], Meta(min_length=1, max_length=40)]

BACKGROUND = (OldCrank, Origin)
"""Evidence about the bicycle, not its shell: it shifts the odds and never allows an order."""

DIRECT = (PitchGauge, CrestCount, Stamp)
"""Evidence that names the thread itself."""


def kind(item: Evidence) -> str:
    """The item's kind, as on the wire."""
    return str(item.__struct_config__.tag)


def side(item: Evidence) -> Side | None:
    """The side an item speaks of, if it speaks of one."""
    return getattr(item, "side", None)


def described(item: Evidence) -> str:
    """An item as a person would name it.

    >>> described(CupHand(side="non_drive", hand="right"))
    'the cup hand on the non-drive side'
    """
    where = side(item)
    words = f"the {kind(item).replace('_', ' ')}"
    return f"{words} on the {where.replace('_', '-')} side" if where else words


def check(evidence: Sequence[Evidence], pointer: str = "/evidence") -> None:
    """Refuse evidence that is impossible by itself or cannot belong to one bicycle.

    Disagreement between readings is no fault: the verdict says so.

    Raises:
        CotterlineError: ``impossible-value`` or ``evidence-conflict``, with every fault found.
    """
    refuse([fault for index, item in enumerate(evidence) for fault in item.faults(f"{pointer}/{index}")])
    conflicts = [*_twice_told(evidence, pointer), *_threaded_and_plain(evidence, pointer)]
    if conflicts:
        raise CotterlineError("evidence-conflict", "Two statements cannot be about the same bicycle.", conflicts)


def _twice_told(evidence: Sequence[Evidence], pointer: str) -> Iterator[Fault]:
    places: dict[str, list[int]] = defaultdict(list)
    for index, item in enumerate(evidence):
        if isinstance(item, BACKGROUND):
            places[kind(item)].append(index)
    for name, found in places.items():
        for index in found[1:]:
            yield Fault(f"{pointer}/{index}", f"a bicycle has one {name}; item {found[0]} states it already")


def _threaded_and_plain(evidence: Sequence[Evidence], pointer: str) -> Iterator[Fault]:
    seen: dict[Side, tuple[int, Look]] = {}
    for index, item in enumerate(evidence):
        if isinstance(item, Bore):
            first, look = seen.setdefault(item.side, (index, item.look))
            if item.look != look:
                yield Fault(f"{pointer}/{index}/look", f"item {first} says the same side's bore is {look}")
