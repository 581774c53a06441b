"""What else must clear when the rings and arms move with the spindle's length."""

import math
from collections.abc import Iterator
from typing import Final, Literal

import msgspec

from cotterline.bench.chain.chainline import check_front, front
from cotterline.bench.chain.methods import CHAIN_LINE_SPAN, FrontMeasurement
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Length, Reading, Uncertain, check_span, probability, within
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import Aim, booked_as

LEAST_RING_GAP: Final = 3.0
"""Ring to chainstay, mm: never under 3, and 5 for square tapers. Common practice, no source."""

GAP_SPAN: Final = (0.0, 60.0)

Subject = Literal[
    "ring_to_chainstay", "drive_arm_to_chainstay", "non_drive_arm_to_chainstay", "chain_line_in_derailleur_reach"
]
SUBJECTS: Final[tuple[Subject, ...]] = (
    "ring_to_chainstay",
    "drive_arm_to_chainstay",
    "non_drive_arm_to_chainstay",
    "chain_line_in_derailleur_reach",
)
_GEOMETRY: Final = "the part moves sideways with the arm it hangs on"


class MeasuredGap(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A gap as measured at one chain line.

    Attributes:
        gap: at the narrowest position.
        chain_line: where the rings stood then; left out where they stood on the crank's reference.
    """

    gap: Reading
    chain_line: FrontMeasurement | msgspec.UnsetType = msgspec.UNSET


class DerailleurReach(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The chain lines a front derailleur's cage can serve."""

    lowest: Reading
    highest: Reading


class Surroundings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What stands near the crank. What is left out is reported as not measured.

    Attributes:
        ring: chainring to chainstay.
        drive_arm: drive-side arm to chainstay.
        non_drive_arm: non-drive arm to chainstay, measured on the crank's reference spindle.
        derailleur: what the front derailleur can serve.
    """

    ring: MeasuredGap | msgspec.UnsetType = msgspec.UNSET
    drive_arm: MeasuredGap | msgspec.UnsetType = msgspec.UNSET
    non_drive_arm: Reading | msgspec.UnsetType = msgspec.UNSET
    derailleur: DerailleurReach | msgspec.UnsetType = msgspec.UNSET


class Clearance(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether one thing clears with one spindle.

    Attributes:
        subject: what is judged.
        state: ``clear``, ``foul`` or ``not_measured``.
        predicted: the gap, or for the derailleur the chain line.
        least: the least that is allowed.
        greatest: the greatest that is allowed; the derailleur alone has one.
        margin: distance to the nearer limit; negative fouls.
        probability_clear: given the readings' errors.
    """

    subject: Subject
    state: Literal["clear", "foul", "not_measured"]
    predicted: Length | msgspec.UnsetType = msgspec.UNSET
    least: Length | msgspec.UnsetType = msgspec.UNSET
    greatest: Length | msgspec.UnsetType = msgspec.UNSET
    margin: Length | msgspec.UnsetType = msgspec.UNSET
    probability_clear: float | msgspec.UnsetType = msgspec.UNSET


_NOT_MEASURED: Final = {subject: Clearance(subject=subject, state="not_measured") for subject in SUBJECTS}
NOTHING_MEASURED: Final = tuple(_NOT_MEASURED.values())


class Position(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a spindle puts the crank, mm: its chain line, and how far out of the reference the left arm moves."""

    chain_line: Uncertain
    non_drive_move: Uncertain


class Limit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One gap as read, the chain line it belongs to (none for the left arm), and the least it may become; mm."""

    gap: Uncertain
    chain_line: Uncertain | None
    least: float


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was measured around the crank, ready to be judged at any position."""

    gaps: dict[Subject, Limit]
    reach: tuple[Uncertain, Uncertain] | None

    @property
    def none(self) -> bool:
        """Whether nothing was measured."""
        return not self.gaps and self.reach is None


def check_surroundings(around: Surroundings, pointer: str) -> Iterator[Fault]:
    """Yield what cannot be right about the readings around the crank."""
    for name, gap in (("ring", around.ring), ("drive_arm", around.drive_arm)):
        if isinstance(gap, MeasuredGap):
            yield from check_span(gap.gap, GAP_SPAN, "gap", f"{pointer}/{name}/gap")
            if not isinstance(gap.chain_line, msgspec.UnsetType):
                yield from check_front(gap.chain_line, f"{pointer}/{name}/chain_line")
    if isinstance(around.non_drive_arm, Reading):
        yield from check_span(around.non_drive_arm, GAP_SPAN, "gap", f"{pointer}/non_drive_arm")
    if isinstance(around.derailleur, DerailleurReach):
        reach = around.derailleur
        yield from check_span(reach.lowest, CHAIN_LINE_SPAN, "chain line", f"{pointer}/derailleur/lowest")
        yield from check_span(reach.highest, CHAIN_LINE_SPAN, "chain line", f"{pointer}/derailleur/highest")
        if reach.lowest.mm >= reach.highest.mm:
            yield Fault(f"{pointer}/derailleur/highest", "must exceed lowest")


def limits(around: Surroundings, aim: Aim, reference: Uncertain, settings: ShopSettings, trace: Trace) -> Limits:
    """Read the surroundings once; ``reference`` is the chain line of the crank's reference spindle."""
    gaps: dict[Subject, Limit] = {}
    ring_least = max(settings.chainstay_clearance_mm, LEAST_RING_GAP)
    if isinstance(around.ring, MeasuredGap):
        gaps["ring_to_chainstay"] = _limit(around.ring, "ring gap", ring_least, _stood(around.ring, aim, trace))
    if isinstance(around.drive_arm, MeasuredGap):
        stood = _stood(around.drive_arm, aim, trace)
        gaps["drive_arm_to_chainstay"] = _limit(around.drive_arm, "drive arm gap", settings.arm_clearance_mm, stood)
    gaps = {
        subject: msgspec.structs.replace(limit, chain_line=reference) if limit.chain_line is None else limit
        for subject, limit in gaps.items()
    }
    if isinstance(around.non_drive_arm, Reading):
        gap = around.non_drive_arm.uncertain("non-drive arm gap")
        gaps["non_drive_arm_to_chainstay"] = Limit(gap=gap, chain_line=None, least=settings.arm_clearance_mm)
    reach = around.derailleur
    if isinstance(reach, msgspec.UnsetType):
        return Limits(gaps=gaps, reach=None)
    return Limits(
        gaps=gaps,
        reach=(reach.lowest.uncertain("derailleur's lowest"), reach.highest.uncertain("derailleur's highest")),
    )


def judge(known: Limits, position: Position, trace: Trace) -> tuple[Clearance, ...]:
    """Every subject with the crank at ``position``, in a fixed order."""
    return tuple(_judge(subject, known, position, trace) for subject in SUBJECTS)


def fouls(clearances: tuple[Clearance, ...]) -> bool:
    """Whether anything is predicted to touch."""
    return any(item.state == "foul" for item in clearances)


def _stood(gap: MeasuredGap, aim: Aim, trace: Trace) -> Uncertain | None:
    if isinstance(gap.chain_line, msgspec.UnsetType):
        return None
    name = booked_as(gap.chain_line, aim, "chain line the gap was read at")
    return front(gap.chain_line, trace, booked_as=name)


def _limit(gap: MeasuredGap, source: str, least: float, stood: Uncertain | None) -> Limit:
    return Limit(gap=gap.gap.uncertain(source), chain_line=stood, least=least)


def _judge(subject: Subject, known: Limits, position: Position, trace: Trace) -> Clearance:
    limit = known.gaps.get(subject)
    if limit is not None:
        return _judge_gap(subject, limit, position, trace)
    if subject == "chain_line_in_derailleur_reach" and known.reach is not None:
        return _judge_reach(known.reach, position.chain_line, trace)
    return _NOT_MEASURED[subject]


def _judge_gap(subject: Subject, limit: Limit, position: Position, trace: Trace) -> Clearance:
    moved = position.non_drive_move if limit.chain_line is None else position.chain_line - limit.chain_line
    left = limit.gap + moved
    trace.note(subject, "gap + moved", left.value, "mm", _GEOMETRY, gap=limit.gap.value, moved=moved.value)
    margin = left - limit.least
    return Clearance(
        subject=subject,
        state="clear" if margin.value >= 0 else "foul",
        predicted=left.length,
        least=Length.mm(limit.least),
        margin=margin.length,
        probability_clear=probability(_above_zero(margin)),
    )


def _judge_reach(reach: tuple[Uncertain, Uncertain], chain_line: Uncertain, trace: Trace) -> Clearance:
    inside, outside = chain_line - reach[0], reach[1] - chain_line
    margin = min(inside, outside, key=lambda item: item.value)
    subject: Subject = "chain_line_in_derailleur_reach"
    trace.note(
        f"{subject}: margin",
        "min(chain_line - lowest, highest - chain_line)",
        margin.value,
        "mm",
        "difference of readings",
        chain_line=chain_line.value,
        lowest=reach[0].value,
        highest=reach[1].value,
    )
    return Clearance(
        subject=subject,
        state="clear" if margin.value >= 0 else "foul",
        predicted=chain_line.length,
        least=reach[0].length,
        greatest=reach[1].length,
        margin=margin.length,
        # Below the one and above the other exclude each other, so the two chances of fouling add.
        probability_clear=probability(_above_zero(inside) + _above_zero(outside) - 1.0),
    )


def _above_zero(margin: Uncertain) -> float:
    return within(margin.value, margin.sd, 0.0, math.inf)
