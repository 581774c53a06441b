"""The wobble of the rings, and on which of the square's four faces the arm does best."""

from collections.abc import Sequence

import msgspec
from msgspec import UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.chain_line import LEAST_SD
from cotterline.bench.fit.fitted import Fitted
from cotterline.bench.fit.report import RunOutReading
from cotterline.bench.fit.result import FitCheck, RunOut
from cotterline.bench.quantity import COVERAGE, Length, Uncertain, probability, within

POSITIONS = (1, 2, 3, 4)


def run_out(tried: Sequence[RunOutReading], fit: Fitted, trace: Trace) -> RunOut | UnsetType:
    """The best position that was tried, the lowest number of those that are equal; nothing where none was."""
    if not tried:
        return msgspec.UNSET
    best = min(tried, key=lambda item: (item.wobble.mm, item.position))
    wobbles = {f"position_{item.position}": item.wobble.mm for item in tried}
    least = f"min({', '.join(wobbles)})" if len(wobbles) > 1 else next(iter(wobbles))
    trace.note("run-out", least, best.wobble.mm, "mm", "the least of the positions tried", **wobbles)
    good, most = fit.settings.run_out_good_mm, fit.settings.run_out_most_mm
    found = RunOut(
        position=best.position,
        wobble=Length.mm(best.wobble.mm, best.wobble.sd),
        state="too_much" if best.wobble.mm > most else "good" if best.wobble.mm <= good else "tolerable",
        alike=tuple(sorted(item.position for item in tried if item is not best and _alike(item, best))),
        not_tried=tuple(each for each in POSITIONS if each not in {item.position for item in tried}),
        advice="",
    )
    return msgspec.structs.replace(found, advice=_advice(found))


def run_out_check(found: RunOut | UnsetType, fit: Fitted, trace: Trace) -> FitCheck:
    """Whether the rings run true enough to leave."""
    if isinstance(found, UnsetType) or isinstance(found.wobble.plus_minus, UnsetType):
        return FitCheck(question="run_out", state="not_measured", words="Not measured: the wobble of the rings.")
    wobble, good, most = found.wobble, fit.settings.run_out_good_mm, fit.settings.run_out_most_mm
    sd = max(found.wobble.plus_minus / COVERAGE, LEAST_SD)
    # A wobble is never negative: what is asked is only whether it exceeds the most.
    chance = trace.note(
        "chance that the run-out is within the most allowed",
        "phi((most - wobble) / sd)",
        within(wobble.value, sd, float("-inf"), most),
        "1",
        "normal distribution of the error, JCGM 100:2008, annex G",
        most=most,
        wobble=wobble.value,
        sd=sd,
    )
    limits = f"good up to {fit.say(good)}, too much beyond {fit.say(most)}"
    return FitCheck(
        question="run_out",
        state="fail" if found.state == "too_much" else "pass",
        words=f"The rings wobble {fit.say(wobble.value)} with the arm on position {found.position}; {limits}.",
        measured=wobble,
        greatest=Length.mm(most),
        probability=probability(chance),
    )


def _alike(item: RunOutReading, best: RunOutReading) -> bool:
    """Whether the difference lies within its own plus-minus."""
    apart = item.wobble.uncertain("this position") - Uncertain.of(best.wobble.mm, best.wobble.sd, "best position")
    return apart.value <= COVERAGE * apart.sd


def _advice(found: RunOut) -> str:
    said = []
    if found.not_tried and found.state == "good":
        said.append(f"Good enough to leave; {_listed(found.not_tried)} not tried.")
    elif found.not_tried:
        said.append(f"Try the arm on the other faces of the square too: {_listed(found.not_tried)} not tried.")
    elif found.state == "too_much":
        said.append("No position runs true: look for a bent ring, arm or spindle, and for dirt on the taper.")
    if found.alike:
        said.append(f"By these readings {_listed(found.alike)} no worse than position {found.position}.")
    return " ".join(said)


def _listed(positions: Sequence[int]) -> str:
    if len(positions) == 1:
        return f"position {positions[0]} is"
    return f"positions {', '.join(str(each) for each in positions[:-1])} and {positions[-1]} are"
