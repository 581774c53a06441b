"""A judged report in words: what came of it, what to know beside it, and what it takes for granted."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from cotterline.bench.caution import CAUTIONS, Caution
from cotterline.bench.chain.chainline import assumptions
from cotterline.bench.fit.fitted import Fitted, among
from cotterline.bench.fit.practice import cautions
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitCheck, FitQuestion, FitResult, NextSpindle, SpacerInstead
from cotterline.bench.spindle.cautions import cautions as spindle_cautions
from cotterline.bench.spindle.clearance import Clearance
from cotterline.bench.spindle_options import granted

_NAMES: Final[Mapping[FitQuestion, str]] = {
    "chain_line": "chain line",
    "run_out": "run-out",
    "ring_to_chainstay": "chainring to chainstay",
    "drive_arm_to_chainstay": "drive-side arm to chainstay",
    "non_drive_arm_to_chainstay": "non-drive arm to chainstay",
    "chain_line_in_derailleur_reach": "reach of the front derailleur",
    "crank_bolt_torque": "torque of the crank bolts",
    "unit_torque": "torque of the unit",
    "ring_bolt_torque": "torque of the ring bolts",
    "pedal_torque": "torque of the pedals",
    "shifting": "shifting",
}
_PLACE: Final[frozenset[FitQuestion]] = frozenset(
    {
        "chain_line",
        "ring_to_chainstay",
        "drive_arm_to_chainstay",
        "non_drive_arm_to_chainstay",
        "chain_line_in_derailleur_reach",
    }
)
_MIDDLE: Final = "The chain line was taken to the middle of the rings' wobble, with the arm on the position that stays."
_APART: Final = "The readings of one measurement are not those of another: their errors are independent."
_ALIKE: Final = "Another spindle is made and sits like the fitted one: taper, asymmetry, flange and spacer."


def misses_its_place(checks: Sequence[FitCheck]) -> bool:
    """Whether something failed that another spindle or a spacer changes."""
    return any(check.state == "fail" and check.question in _PLACE for check in checks)


def summary(result: FitResult, fit: Fitted) -> str:
    """The outcome in a few sentences, what matters most first; ``result`` in mm."""
    return " ".join(_sentences(result, fit))


def cautioned(result: FitResult, fit: Fitted, known_lengths: Sequence[float]) -> Iterator[Caution]:
    """What to know before riding, and before ordering."""
    bolts = next(check.state for check in result.checks if check.question == "crank_bolt_torque")
    torques = {item.state for item in result.torques}
    offered = _offered(result)
    yield from cautions({"misreading-suspected": result.predicted.misreading_suspected})
    if bolts != "pass":
        yield CAUTIONS["loose-arm"]
    if any(item.fastener == "crank_bolt" and item.state == "under" for item in result.torques):
        yield CAUTIONS["re-check"]
    yield from cautions(
        {
            "part-sheet-first": bool(torques & {"under", "over"}),
            "length-not-ordered": bool(known_lengths) and not among(fit.length, known_lengths),
            "no-better-length": misses_its_place(result.checks) and not isinstance(result.next_spindle, NextSpindle),
            "spacer-takes-thread": isinstance(result.spacer, SpacerInstead),
        }
    )
    unread = any(item.state == "not_measured" for clearances in offered for item in clearances)
    assumed = bool(offered) and fit.before.unit.taper_from == "assumed"
    yield from spindle_cautions({"taper-assumed": assumed, "clearance-not-measured": unread})


def granted_by(fit: Fitted, report: FitReportRequest) -> tuple[str, ...]:
    """What the judgement takes for granted, each once."""
    said = [text for line in report.chain_lines for text in assumptions(line)]
    said += [*granted(fit.question.target), _MIDDLE]
    said += [_APART] if len(report.chain_lines) > 1 else []
    return tuple(dict.fromkeys([*said, _ALIKE]))


def _offered(result: FitResult) -> list[tuple[Clearance, ...]]:
    """The clearances of the spindle and of the spacer that are offered."""
    spindle = [result.next_spindle.option.clearances] if isinstance(result.next_spindle, NextSpindle) else []
    return spindle + ([result.spacer.clearances] if isinstance(result.spacer, SpacerInstead) else [])


def _sentences(result: FitResult, fit: Fitted) -> Iterator[str]:
    expected, missed = result.predicted, [_NAMES[c.question] for c in result.checks if c.state == "fail"]
    if expected.misreading_suspected:
        yield (
            f"Measure again first: {fit.say(expected.chain_line.value)} was predicted, "
            f"{expected.standard_deviations:.1f} standard deviations off."
        )
    yield f"Missed: {', '.join(missed)}." if missed else "Passed."
    yield result.checks[0].words
    if isinstance(result.next_spindle, NextSpindle):
        option = result.next_spindle.option
        where = "ordered already" if result.next_spindle.at_hand else "to be ordered"
        length, line = fit.say(option.spindle_length.value), fit.say(option.chain_line.value)
        yield f"Next spindle: {length}, {where}; predicted chain line {line}."
    if isinstance(result.spacer, SpacerInstead):
        spacer = result.spacer
        change = f"{fit.say(abs(spacer.change.value))} {'more' if spacer.change.value > 0 else 'less'}"
        instead = " instead" if isinstance(result.next_spindle, NextSpindle) else ""
        line = fit.say(spacer.chain_line.value)
        yield f"{change} spacer under the {spacer.seat} flange would do{instead}: predicted chain line {line}."
