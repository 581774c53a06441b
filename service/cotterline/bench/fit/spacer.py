"""Whether another spacer under the flange would do instead of another spindle."""

import math
from collections.abc import Iterator
from typing import Final

import msgspec
from msgspec import UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitted import SLACK_MM, Fitted
from cotterline.bench.fit.gaps import Around
from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.fit.result import SpacerInstead
from cotterline.bench.quantity import Errors, Length, Uncertain
from cotterline.bench.spindle.clearance import Position, fouls, judge
from cotterline.bench.spindle.crank import ERRORS
from cotterline.bench.spindle_options import chance_within

BOOKED_REMOUNTED: Final = "seating depth when the arms go on again"

_SEAT: Final = "the whole unit moves by what is put under its flange: plane geometry, no source needed"


def spacer_instead(fit: Fitted, gaps: Around, trace: Trace) -> SpacerInstead | UnsetType:
    """The change likeliest to land within the tolerance with nothing touching, the least of equals; lengths in mm."""
    within = [change for change in _changes(fit) if _lands(fit, change)]
    judged = [_with(fit, gaps, change, trace) for change in within]
    able = [item for item in judged if not fouls(item.clearances)]
    return min(able, key=_preference, default=msgspec.UNSET)


def _changes(fit: Fitted) -> Iterator[float]:
    """Every change in steps that leaves no less than nothing under the flange, and no more than is usual."""
    step, there = PRACTICE.spacer.step_mm, fit.question.unit.spacer_mm
    least, most = math.ceil(-there / step - SLACK_MM), math.floor((PRACTICE.spacer.most_mm - there) / step + SLACK_MM)
    yield from (number * step for number in range(least, most + 1) if number)


def _lands(fit: Fitted, change: float) -> bool:
    return abs(fit.residual.value + fit.side * change) <= fit.settings.chain_line_tolerance_mm + SLACK_MM


def _with(fit: Fitted, gaps: Around, change: float, trace: Trace) -> SpacerInstead:
    moved = trace.note(
        f"chain line with {change:+g} mm of spacer",
        "chain_line + side * change",
        fit.chain_line.value + fit.side * change,
        "mm",
        _SEAT,
        chain_line=fit.chain_line.value,
        side=fit.side,
        change=change,
    )
    again = {BOOKED_REMOUNTED: ERRORS.seating_depth.sd}
    line = Uncertain(moved, Errors({**fit.chain_line.parts, **again}))
    residual = line - fit.goal
    tolerance = fit.settings.chain_line_tolerance_mm
    return SpacerInstead(
        seat=fit.before.unit.seat,
        change=Length.mm(change),
        total=Length.mm(fit.question.unit.spacer_mm + change),
        chain_line=line.length,
        residual=residual.length,
        probability_within=chance_within(f"{change:+g} mm of spacer", residual, tolerance, trace),
        tread_change=Length.mm(0.0),
        clearances=judge(
            gaps.known, Position(chain_line=line, non_drive_move=Uncertain(-fit.side * change, Errors(again))), trace
        ),
    )


def _preference(item: SpacerInstead) -> tuple[float, float]:
    return -item.probability_within, abs(item.change.value)
