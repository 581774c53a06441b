"""Every measurement that can still be taken, every outcome it can have, and how probable each is on any shell."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache
from typing import Final, NamedTuple, get_args

import msgspec
import numpy as np

from cotterline.bench.data import load
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
    PitchGauge,
    Raised,
    ShellInsideDiameter,
    ShellWidth,
    Stamp,
)
from cotterline.bench.shell.families import Hand
from cotterline.bench.shell.features import FeatureName, Numbers, fixed
from cotterline.bench.shell.likelihood import MODELS, STAMPED, chances

LEAST_REST: Final = 1e-9
"""Probability kept for no outcome at all, so that a logarithm stands."""


class Measurement(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A row of ``data/measurements.toml``: what is taken, in how many minutes, on which sides, with what and how."""

    kind: str
    minutes: float
    how: str
    sides: tuple[Side, ...] = ()
    tool: Tool = "gauge"
    crests: int = 0


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    measurement: tuple[Measurement, ...]


MEASUREMENTS: Final = load("measurements", _Table).measurement
_Outcomes = Callable[[Measurement, Side], Iterable[tuple[str, Evidence]]]


class Candidate(NamedTuple):
    """A measurement that could be taken.

    Attributes:
        measurement: which.
        side: on which side, where it has sides.
        labels: of its outcomes, in order.
        feature: of a shell that it tells of.
        chances: probability of each outcome (rows) for each value of the feature (columns); columns sum to one. The
            last row is what the outcomes leave over: no thread to lay the gauge on, or a size off the scale.
    """

    measurement: Measurement
    side: Side | None
    labels: tuple[str, ...]
    feature: FeatureName
    chances: Numbers


def _grid(low: float, high: float, step: float) -> Iterator[float]:
    for index in range(round((high - low) / step) + 1):
        yield round(low + index * step, 3)


def _gauge_leaves(_: Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    for leaf in MODELS.pitch_gauge.leaves_tpi:
        yield f"{leaf:g} tpi", PitchGauge(side=where, leaf=leaf, leaf_unit="tpi")
    for leaf in MODELS.pitch_gauge.leaves_mm:
        yield f"{leaf:g} mm", PitchGauge(side=where, leaf=leaf, leaf_unit="mm")


def _stamps(_: Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    for text in STAMPED.values():
        yield text, Stamp(side=where, text=text)


def _counts(measurement: Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    pitches = measurement.crests - 1
    for mm in _grid(0.9 * pitches, 1.6 * pitches, 0.02 * pitches):
        length = Reading(value=mm, tool=measurement.tool)
        yield f"{mm:.2f} mm", CrestCount(side=where, crests=measurement.crests, length=length)


def _sizes(low: float, high: float, step: float, evidence: Callable[[Side, Reading], Evidence]) -> _Outcomes:
    def outcomes(measurement: Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
        for mm in _grid(low, high, step):
            yield f"{mm:g} mm", evidence(where, Reading(value=mm, tool=measurement.tool))

    return outcomes


_OUTCOMES: dict[str, _Outcomes] = {
    "bore": lambda _, where: ((look, Bore(side=where, look=look)) for look in get_args(Look)),
    "cup_hand": lambda _, where: ((hand, CupHand(side=where, hand=hand)) for hand in get_args(Hand)),
    "cup_fittings": lambda _, __: ((raised, CupFittings(raised=raised)) for raised in get_args(Raised)),
    "stamp": _stamps,
    "pitch_gauge": _gauge_leaves,
    "crest_count": _counts,
    "shell_width": _sizes(64, 102, 0.25, lambda _, reading: ShellWidth(reading=reading)),
    "fixed_cup_flats": _sizes(34, 41, 0.25, lambda _, reading: FixedCupFlats(reading=reading)),
    "cup_outside_diameter": _sizes(29, 52, 0.1, lambda side, reading: CupOutsideDiameter(side=side, reading=reading)),
    "shell_inside_diameter": _sizes(29, 52, 0.1, lambda side, reading: ShellInsideDiameter(side=side, reading=reading)),
}


def _table(items: Sequence[Evidence]) -> Numbers:
    rows = np.array([chances(item).total for item in items]) * _cell(items)
    rows /= np.maximum(rows.sum(axis=0), 1.0)
    return fixed(np.vstack([rows, np.maximum(1.0 - rows.sum(axis=0), LEAST_REST)]))


def _cell(items: Sequence[Evidence]) -> float:
    """What one outcome spans: millimetres on a scale, or one of a count."""
    sizes = [getattr(item, "reading", None) or getattr(item, "length", None) for item in items[:2]]
    first, second = (size.mm if isinstance(size, Reading) else None for size in sizes)
    return 1.0 if first is None or second is None else second - first


@cache
def candidates() -> tuple[Candidate, ...]:
    """Every measurement on each side it can be taken on; made once, when first asked for."""
    found = []
    for row in MEASUREMENTS:
        for where in row.sides or (None,):
            labels, items = zip(*_OUTCOMES[row.kind](row, where or "drive"), strict=True)
            found.append(Candidate(row, where, labels, chances(items[0]).feature, _table(items)))
    return tuple(found)
