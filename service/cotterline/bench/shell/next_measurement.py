"""Which measurement to take next: the one that tells most for its minutes, those an order waits for first.

The expected information gain of a measurement is the mutual information between its outcome and the shell
(D. V. Lindley, On a measure of the information provided by an experiment, Ann. Math. Statist. 27, 1956).
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple, get_args

import msgspec
import numpy as np
from numpy.typing import NDArray

from cotterline.bench.data import load
from cotterline.bench.quantity import COVERAGE, TOOL_PLUS_MINUS, Reading, Side, Tool, probability
from cotterline.bench.shell.contradictions import Contradiction
from cotterline.bench.shell.evidence import (
    DIRECT,
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
    kind,
    side,
)
from cotterline.bench.shell.families import FAMILIES, SHELLS, FamilyId, Hand
from cotterline.bench.shell.likelihood import MODELS, STAMPED, likelihoods
from cotterline.bench.shell.order_conditions import Condition, OrderCondition, leaning, survives
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior

Matrix = NDArray[np.float64]

SHOWN = 6
LEAST_GAIN_BITS = 0.0005
LEAST_LIKELY_READING = 0.0005
LEAST_REST = 1e-9
"""Probability kept for no outcome at all, so that a logarithm stands."""

MOST_IN_VAIN = 0.5
"""Probability of no outcome at all, such as a gauge where there is no thread, up to which a measurement is advised."""

FINER = 2.0
"""A measurement already taken is worth repeating only with a tool this much finer."""


class Reads(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one outcome of a measurement would mean.

    Attributes:
        reading: the outcome, or the first and last of a range of them.
        probability: of reading it.
        then: the family that would lead.
    """

    reading: str
    probability: float
    then: FamilyId


class NextMeasurement(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One measurement worth taking.

    Attributes:
        kind: kind of evidence it gives.
        side: on which side.
        tool: with which tool.
        gain_bits: information it is expected to give about the shell.
        minutes: what it takes at the bench, cups still in.
        meets: conditions of an order it would serve.
        tells_apart: rivals it can be expected to exclude, if the leading thread is right.
        how: how to take it.
        reads: what each outcome would mean.
    """

    kind: str
    gain_bits: float
    minutes: float
    meets: tuple[Condition, ...]
    tells_apart: tuple[FamilyId, ...]
    how: str
    reads: tuple[Reads, ...]
    side: Side | msgspec.UnsetType = msgspec.UNSET
    tool: Tool | msgspec.UnsetType = msgspec.UNSET


class _Measurement(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    kind: str
    minutes: float
    how: str
    sides: tuple[Side, ...] = ()
    tool: Tool = "gauge"
    crests: int = 0


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    measurement: tuple[_Measurement, ...]


_TABLE = load("measurements", _Table).measurement
_Outcomes = Callable[[_Measurement, Side], Iterable[tuple[str, Evidence]]]


_DIRECT_KINDS = frozenset(str(item.__struct_config__.tag) for item in DIRECT)
_WITH_A_TOOL = frozenset(row.kind for row in _TABLE if row.tool == "caliper")
_FIRST_OF = {
    family.id: next(i for i, shell in enumerate(SHELLS) if shell.drive is family and not shell.mixed)
    for family in FAMILIES.values()
}
_MEMBERSHIP: dict[Side, Matrix] = {
    where: np.array([[float(shell.at(where) is family) for family in FAMILIES.values()] for shell in SHELLS])
    for where in ("drive", "non_drive")
}


class _Need(NamedTuple):
    """What an order still lacks."""

    conditions: set[Condition]
    rivals: Sequence[FamilyId]


class _Candidate(NamedTuple):
    """A measurement that could be taken, and what is known without it."""

    measurement: _Measurement
    side: Side | None
    base: Posterior
    again: bool = False

    @property
    def outcomes(self) -> tuple[tuple[str, Evidence], ...]:
        return _outcomes(self.measurement, self.side)

    @property
    def chances(self) -> Matrix:
        return _chances(self.measurement, self.side)


def _grid(low: float, high: float, step: float) -> Iterator[float]:
    for index in range(round((high - low) / step) + 1):
        yield round(low + index * step, 3)


@lru_cache(maxsize=64)
def _outcomes(measurement: _Measurement, where: Side | None) -> tuple[tuple[str, Evidence], ...]:
    """Every outcome a measurement can have, in order, with its label."""
    return tuple(_OUTCOMES[measurement.kind](measurement, where or "drive"))


def _gauge_leaves(_: _Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    for leaf in MODELS.pitch_gauge.leaves_tpi:
        yield f"{leaf:g} tpi", PitchGauge(side=where, leaf=leaf, leaf_unit="tpi")
    for leaf in MODELS.pitch_gauge.leaves_mm:
        yield f"{leaf:g} mm", PitchGauge(side=where, leaf=leaf, leaf_unit="mm")


def _stamps(_: _Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    for text in STAMPED.values():
        yield text, Stamp(side=where, text=text)


def _counts(measurement: _Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
    pitches = measurement.crests - 1
    for mm in _grid(0.9 * pitches, 1.6 * pitches, 0.02 * pitches):
        length = Reading(value=mm, tool=measurement.tool)
        yield f"{mm:.2f} mm", CrestCount(side=where, crests=measurement.crests, length=length)


def _sizes(low: float, high: float, step: float, evidence: Callable[[Side, Reading], Evidence]) -> _Outcomes:
    def outcomes(measurement: _Measurement, where: Side) -> Iterator[tuple[str, Evidence]]:
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


@lru_cache(maxsize=64)
def _chances(measurement: _Measurement, where: Side | None) -> Matrix:
    """Probability of each outcome (rows) on each shell (columns); columns sum to one.

    The last row is what the outcomes leave over: no thread to lay the gauge on, or a size off the scale.
    """
    outcomes = _outcomes(measurement, where)
    rows = np.array([[chance.total for chance in likelihoods(item)] for _, item in outcomes]) * _cell(outcomes)
    rows /= np.maximum(rows.sum(axis=0), 1.0)
    chances: Matrix = np.vstack([rows, np.maximum(1.0 - rows.sum(axis=0), LEAST_REST)])
    return chances


def _cell(outcomes: Sequence[tuple[str, Evidence]]) -> float:
    """What one outcome spans: millimetres on a scale, or one of a count."""
    sizes = [getattr(item, "reading", None) or getattr(item, "length", None) for _, item in outcomes[:2]]
    first, second = (size.mm if isinstance(size, Reading) else None for size in sizes)
    return 1.0 if first is None or second is None else second - first


def _entropy(probabilities: Matrix) -> Matrix:
    """Entropy in bits along the last axis."""
    logs = np.log2(probabilities, where=probabilities > 0, out=np.zeros_like(probabilities))
    total: Matrix = -(probabilities * logs).sum(axis=-1)
    return total


def next_measurements(
    known: Posterior, conflicts: Sequence[Contradiction], conditions: Sequence[OrderCondition]
) -> tuple[NextMeasurement, ...]:
    """The measurements worth taking, best first; none once an order stands."""
    if all(condition.met for condition in conditions):
        return ()
    rivals = next((c.rivals for c in conditions if isinstance(c.rivals, tuple)), ())
    need = _Need({condition.condition for condition in conditions if not condition.met}, rivals)
    advice = [row for candidate in _candidates(known, conflicts) if (row := _judge(candidate, need)) is not None]
    advice.sort(key=lambda row: (-len(row.meets), -row.gain_bits / row.minutes))
    return tuple(advice[:SHOWN])


def _candidates(known: Posterior, conflicts: Sequence[Contradiction]) -> Iterator[_Candidate]:
    """Measurements not taken yet, taken with a coarser tool, or contradicted: the last without what they said."""
    doubted = {conflict.item for conflict in conflicts}
    for measurement in _TABLE:
        for where in measurement.sides or (None,):
            taken = {
                index
                for index, item in enumerate(known.evidence)
                if kind(item) == measurement.kind and side(item) == where
            }
            if taken & doubted:
                rest = tuple(item for index, item in enumerate(known.evidence) if index not in taken)
                yield _Candidate(measurement, where, Posterior(rest), again=True)
            elif not taken or _coarse([known.evidence[index] for index in taken], measurement.tool):
                yield _Candidate(measurement, where, known)


def _coarse(taken: Sequence[Evidence], tool: Tool) -> bool:
    finest = min((item.reading.sd for item in taken if hasattr(item, "reading")), default=0.0)
    return finest > FINER * TOOL_PLUS_MINUS[tool] / COVERAGE


def _judge(candidate: _Candidate, need: _Need) -> NextMeasurement | None:
    measurement, chances, base = candidate.measurement, candidate.chances, candidate.base
    legible = MODELS.stamp.legible if measurement.kind == "stamp" else 1.0
    prior = np.array(base.probabilities)
    joint = chances * prior
    outcome = joint.sum(axis=1)
    after = joint / outcome[:, None]
    gain = legible * float(_entropy(prior) - (outcome * _entropy(after)).sum())
    apart = tuple(rival for rival in need.rivals if _expected_decibans(candidate, rival) >= DECISIVE)
    meets = tuple(_meets(candidate, need, apart))
    if outcome[-1] > MOST_IN_VAIN or (gain < LEAST_GAIN_BITS and not meets):
        return None
    return NextMeasurement(
        kind=measurement.kind,
        side=candidate.side or msgspec.UNSET,
        tool=measurement.tool if measurement.kind in _WITH_A_TOOL else msgspec.UNSET,
        gain_bits=round(max(gain, 0.0), 4),
        minutes=measurement.minutes,
        meets=meets,
        tells_apart=apart,
        how=measurement.how,
        reads=_reads(candidate, outcome, after),
    )


def _meets(candidate: _Candidate, need: _Need, apart: tuple[FamilyId, ...]) -> Iterator[Condition]:
    kind_of_it = candidate.measurement.kind
    if "nothing_contradicts" in need.conditions and candidate.again:
        yield "nothing_contradicts"
    if "thread_observed" in need.conditions and kind_of_it in _DIRECT_KINDS:
        yield "thread_observed"
    if "rivals_told_apart" in need.conditions and apart:
        yield "rivals_told_apart"
    if "survives_a_slip" in need.conditions and _props(candidate):
        yield "survives_a_slip"
    if "width_known" in need.conditions and kind_of_it == "shell_width":
        yield "width_known"


def _props(candidate: _Candidate) -> bool:
    """Whether its likeliest outcome on the leading shell would let the verdict do without any one other reading."""
    base = candidate.base
    likeliest = candidate.chances[candidate.chances[:, SHELLS.index(base.leader)].argmax()]
    return all(
        survives(base.leader, (likeliest * np.array(base.leave_one_out[index].probabilities)).tolist())
        for index in leaning(base)
    )


def _expected_decibans(candidate: _Candidate, rival: FamilyId) -> float:
    """Decibans the measurement is expected to add against ``rival``, with those already gathered."""
    base = candidate.base
    ours = candidate.chances[:, SHELLS.index(base.leader)]
    theirs = candidate.chances[:, _FIRST_OF[rival]]
    expected = float((ours * np.log(ours / theirs)).sum()) * DECIBANS
    return expected + base.separation(base.leader.original.id, rival)


def _reads(candidate: _Candidate, outcome: Matrix, after: Matrix) -> tuple[Reads, ...]:
    """What outcomes mean; neighbouring readings that make the same family lead are one range."""
    ids = list(FAMILIES)
    membership = _MEMBERSHIP[candidate.side or "drive"]
    leads = [ids[index] for index in (after @ membership).argmax(axis=1)]
    likely = [row for row in range(len(candidate.outcomes)) if outcome[row] >= LEAST_LIKELY_READING]
    in_ranges = candidate.measurement.kind in _WITH_A_TOOL
    runs: list[list[int]] = []
    for row in likely:
        if in_ranges and runs and row == runs[-1][-1] + 1 and leads[row] == leads[runs[-1][0]]:
            runs[-1].append(row)
        else:
            runs.append([row])
    rows = [_range(candidate, run, leads, outcome) for run in runs]
    return tuple(sorted(rows, key=lambda row: -row.probability))


def _range(candidate: _Candidate, run: list[int], leads: list[FamilyId], outcome: Matrix) -> Reads:
    first, last = candidate.outcomes[run[0]][0], candidate.outcomes[run[-1]][0]
    return Reads(
        reading=first if first == last else f"{first} to {last}",
        probability=probability(float(outcome[run].sum())),
        then=leads[run[0]],
    )
