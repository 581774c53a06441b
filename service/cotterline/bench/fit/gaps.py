"""What clears around the fitted crank, and what would clear after the next change.

A gap of the report was read where the rings stand now. A gap of the quote was read where they stood then, and is
carried along with them.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.fit.fitted import Fitted
from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.fit.report import GapReadings
from cotterline.bench.fit.result import CheckState, FitCheck
from cotterline.bench.quantity import Errors, Length, Reading, Uncertain
from cotterline.bench.spindle.clearance import (
    Clearance,
    Limit,
    Limits,
    MeasuredGap,
    Position,
    Subject,
    Surroundings,
    judge,
    limits,
)
from cotterline.bench.spindle.crank import ERRORS
from cotterline.bench.spindle.offset import BOOKED_FITTED_LENGTH, BOOKED_FITTED_SEATING
from cotterline.bench.spindle.placing import BOOKED_SEAT, BOOKED_SEATING, BOOKED_TOLERANCE

_NOW_FITTED: Final[Mapping[str, str]] = {
    BOOKED_TOLERANCE: BOOKED_FITTED_LENGTH,
    BOOKED_SEATING: BOOKED_FITTED_SEATING,
}
_RIGID: Final[tuple[tuple[Subject, Literal["ring", "drive_arm"]], ...]] = (
    ("ring_to_chainstay", "ring"),
    ("drive_arm_to_chainstay", "drive_arm"),
)
_STATES: Final[Mapping[str, CheckState]] = {"clear": "pass", "foul": "fail", "not_measured": "not_measured"}
_WORDS: Final[Mapping[Subject, str]] = {
    "ring_to_chainstay": "gap of chainring to chainstay",
    "drive_arm_to_chainstay": "gap of drive-side arm to chainstay",
    "non_drive_arm_to_chainstay": "gap of non-drive arm to chainstay",
    "chain_line_in_derailleur_reach": "chain line",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """Gaps with the rings where they stand now.

    Attributes:
        reported: as they were read after fitting.
        known: the same, and what the report leaves out as it is carried over from the quote.
    """

    reported: Limits
    known: Limits


def around(fit: Fitted, gaps: GapReadings, trace: Trace) -> Around:
    """Read the gaps of the report, and carry over those it leaves out.

    Raises:
        CotterlineError: ``evidence-conflict`` where a gap changed by plainly more or less than the chain line did.
    """
    before, question = fit.question.surroundings, fit.question
    now = Surroundings(
        ring=_measured(gaps.ring),
        drive_arm=_measured(gaps.drive_arm),
        non_drive_arm=gaps.non_drive_arm,
        derailleur=before.derailleur,
    )
    reported = limits(now, question.target, fit.chain_line, fit.settings, trace)
    earlier = limits(before, question.target, fit.gaps_read_at, fit.settings, trace)
    _check_moves(fit, reported, earlier, trace)
    return Around(reported=reported, known=Limits(gaps=_carried(earlier, fit) | reported.gaps, reach=reported.reach))


def centred(known: Limits, fit: Fitted) -> Limits:
    """The same gaps as ``Placing.position`` counts them: the left arm's with the unit in the middle of the shell."""
    left = known.gaps.get("non_drive_arm_to_chainstay")
    if left is None:
        return known
    moved = left.gap + Uncertain.of(fit.before.seat, ERRORS.unit_seat.sd, BOOKED_SEAT)
    at_centre = msgspec.structs.replace(left, gap=moved)
    return Limits(gaps=known.gaps | {"non_drive_arm_to_chainstay": at_centre}, reach=known.reach)


def gap_checks(fit: Fitted, around_now: Around, trace: Trace) -> Iterator[FitCheck]:
    """Whether each thing clears as it stands; what was not read after fitting is not measured."""
    here = Position(chain_line=fit.chain_line, non_drive_move=Uncertain(0.0))
    for item in judge(around_now.reported, here, trace):
        yield FitCheck(
            question=item.subject,
            state=_STATES[item.state],
            words=_words(fit, item),
            measured=item.predicted,
            least=item.least,
            greatest=item.greatest,
            probability=item.probability_clear,
        )


def _measured(gap: Reading | msgspec.UnsetType) -> MeasuredGap | msgspec.UnsetType:
    return MeasuredGap(gap=gap) if isinstance(gap, Reading) else gap


def _carried(earlier: Limits, fit: Fitted) -> dict[Subject, Limit]:
    """Gaps of the quote with the left arm moved to where it is now; the others know the chain line they belong to."""
    left = earlier.gaps.get("non_drive_arm_to_chainstay")
    if left is None:
        return earlier.gaps
    moved = fit.before.position(fit.length).non_drive_move
    parts = {_NOW_FITTED.get(source, source): part for source, part in moved.parts.items()}
    here = left.gap + Uncertain(moved.value, Errors(parts))
    return earlier.gaps | {"non_drive_arm_to_chainstay": msgspec.structs.replace(left, gap=here)}


def _check_moves(fit: Fitted, reported: Limits, earlier: Limits, trace: Trace) -> None:
    faults: list[Fault] = []
    for subject, field in _RIGID:
        now, then = reported.gaps.get(subject), earlier.gaps.get(subject)
        if now is not None and then is not None and then.chain_line is not None:
            gaps = (now.gap, then.gap, then.chain_line)
            faults += _disagreement(fit, subject, gaps, trace, f"/gaps/{field}")
    if faults:
        line = f"the chain line is {fit.say(fit.chain_line.value)}"
        raise CotterlineError(
            "evidence-conflict",
            "A gap and the chain line cannot both have moved so: read both again. If they stand, the gap on the quote "
            "was misread: revise the quote.",
            [*faults, Fault("/chain_lines", line)],
        )


def _disagreement(
    fit: Fitted, subject: Subject, gaps: tuple[Uncertain, Uncertain, Uncertain], trace: Trace, pointer: str
) -> Iterator[Fault]:
    """The gap and the rings hang on one arm, so that both move alike."""
    now, then, line_then = gaps
    opened, moved = now.value - then.value, fit.chain_line - line_then
    sd = (Uncertain.of(now.value, now.sd, "now") - Uncertain.of(then.value, then.sd, "then") - moved).sd
    apart = trace.note(
        f"{subject}: standard deviations between the gap's move and the chain line's",
        "abs(gap - gap_then - (chain_line - chain_line_then)) / sd",
        abs(opened - moved.value) / sd,
        "1",
        "both hang on one arm; normal distribution of the error, JCGM 100:2008, annex G",
        gap=now.value,
        gap_then=then.value,
        chain_line=fit.chain_line.value,
        chain_line_then=line_then.value,
        sd=sd,
    )
    if apart > PRACTICE.misreading.standard_deviations:
        yield Fault(
            pointer,
            f"is {fit.say(now.value)} and was {fit.say(then.value)} with the chain line at {fit.say(line_then.value)}",
        )


def _words(fit: Fitted, item: Clearance) -> str:
    what = _WORDS[item.subject]
    if not isinstance(item.predicted, Length) or not isinstance(item.least, Length):
        reach = item.subject == "chain_line_in_derailleur_reach"
        return f"Not measured: {'the reach of the front derailleur' if reach else f'the {what}'}."
    found, least = fit.say(item.predicted.value), fit.say(item.least.value)
    if isinstance(item.greatest, Length):
        return f"The {what} is {found}; the front derailleur serves {least} to {fit.say(item.greatest.value)}."
    return f"The {what} is {found}; it must be at least {least}."
