"""What a fit report is judged to say: passed or missed, what every question came to, and what to do where it missed."""

from typing import Literal

import msgspec
from msgspec import UnsetType

from cotterline.bench.caution import Caution
from cotterline.bench.derivation import Step
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.quantity import Length, Side
from cotterline.bench.spindle.clearance import Clearance
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.spindle.placing import SeatedUnit
from cotterline.bench.spindle.taper import KnownTaper
from cotterline.bench.spindle_options import SpindleOption

Outcome = Literal["passed", "missed"]
CheckState = Literal["pass", "fail", "not_measured"]
FitQuestion = Literal[
    "chain_line",
    "run_out",
    "ring_to_chainstay",
    "drive_arm_to_chainstay",
    "non_drive_arm_to_chainstay",
    "chain_line_in_derailleur_reach",
    "crank_bolt_torque",
    "unit_torque",
    "ring_bolt_torque",
    "pedal_torque",
    "shifting",
]


class FitCheck(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One question and what the report says to it.

    Attributes:
        question: what is judged.
        state: ``not_measured`` where the report is silent.
        words: the same for a person, with numbers.
        measured: what was read, where it is a length.
        least: the least that is allowed, where there is a least.
        greatest: the greatest that is allowed, where there is a greatest.
        probability: that it truly is within them, given the readings' errors.
    """

    question: FitQuestion
    state: CheckState
    words: str
    measured: Length | UnsetType = msgspec.UNSET
    least: Length | UnsetType = msgspec.UNSET
    greatest: Length | UnsetType = msgspec.UNSET
    probability: float | UnsetType = msgspec.UNSET


class JudgedTorque(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One torque beside its range, N m.

    Attributes:
        fastener: which.
        side: of the bicycle; left out where both were drawn alike.
        newton_metres: as reported.
        lowest: of the range; left out where no figure was found.
        highest: as ``lowest``.
        state: ``unknown`` where there is no range.
    """

    fastener: TorqueSubject
    side: Side | UnsetType = msgspec.UNSET
    newton_metres: float
    lowest: float | UnsetType = msgspec.UNSET
    highest: float | UnsetType = msgspec.UNSET
    state: Literal["within", "under", "over", "unknown"]


class RunOut(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The wobble of the rings, at the best position of the arm that was tried.

    Attributes:
        position: with the least wobble.
        wobble: there.
        state: ``good``, ``tolerable``, or ``too_much`` to leave.
        alike: the other positions whose wobble cannot be told from it, given the readings' errors.
        not_tried: positions still open.
        advice: what to do next; empty where there is nothing to do.
    """

    position: int
    wobble: Length
    state: Literal["good", "tolerable", "too_much"]
    alike: tuple[int, ...]
    not_tried: tuple[int, ...]
    advice: str


class PredictedFit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was predicted for the fitted length before it was fitted.

    Attributes:
        chain_line: predicted.
        deviation: measured less predicted.
        standard_deviations: ``deviation`` counted in its own.
        misreading_suspected: whether that is more than chance gives: measure again before anything is ordered.
    """

    chain_line: Length
    deviation: Length
    standard_deviations: float
    misreading_suspected: bool


class NextSpindle(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The spindle to try next.

    Attributes:
        option: what it would do; its change of tread is against the fitted spindle.
        at_hand: whether it was ordered too.
    """

    option: SpindleOption
    at_hand: bool


class SpacerInstead(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A change of the spacer under the flange that would do instead of another spindle.

    Attributes:
        seat: the side the flange is drawn against, where the spacer goes.
        change: added to what is there; negative is taken out.
        total: what is there then.
        chain_line: predicted.
        residual: predicted less target; positive is too far out.
        probability_within: that the residual truly lies within the tolerance.
        tread_change: of the distance between the arms: none, both move together.
        clearances: what else must clear, on both sides.
    """

    seat: Literal["right", "left"]
    change: Length
    total: Length
    chain_line: Length
    residual: Length
    probability_within: float
    tread_change: Length
    clearances: tuple[Clearance, ...]


class FitResult(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A fit report, judged.

    Attributes:
        outcome: ``passed`` where nothing failed.
        summary: the same in a sentence or two, what matters most first.
        spindle_length: that was fitted.
        chain_line: measured; the weighted mean of all measurements.
        target: chain line to reach.
        residual: measured less target; positive is too far out.
        tolerance: how far the chain line may miss the target.
        probability_within: that the residual truly lies within the tolerance.
        checks: one for each question, in a fixed order.
        torques: every torque reported, in its order.
        run_out: left out where no position was tried.
        predicted: what the chain line was expected to be.
        unit: how the fitted unit was taken to be made and seated.
        crank_taper: standard of the crank's square holes.
        rings: how many the crank carries.
        offset: what the fitted spindle said of the crank, for jobs to come; in mm whatever the unit.
        next_spindle: where the chain line or a gap missed and another length is better.
        spacer: where the chain line or a gap missed and a spacer would do.
        cautions: what to know before riding, and before ordering.
        assumptions: what the judgement takes for granted.
        derivation: how each number came about, where asked for; in mm.
    """

    outcome: Outcome
    summary: str
    spindle_length: Length
    chain_line: Length
    target: Length
    residual: Length
    tolerance: Length
    probability_within: float
    checks: tuple[FitCheck, ...]
    torques: tuple[JudgedTorque, ...]
    run_out: RunOut | UnsetType = msgspec.UNSET
    predicted: PredictedFit
    unit: SeatedUnit
    crank_taper: KnownTaper
    rings: int
    offset: OffsetReport | UnsetType = msgspec.UNSET
    next_spindle: NextSpindle | UnsetType = msgspec.UNSET
    spacer: SpacerInstead | UnsetType = msgspec.UNSET
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    derivation: tuple[Step, ...] | UnsetType = msgspec.UNSET
