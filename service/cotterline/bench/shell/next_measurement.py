"""Which measurement to take next: the one that tells most for its minutes, those an order waits for first.

The expected information gain of a measurement is the mutual information between its outcome and the shell
(D. V. Lindley, On a measure of the information provided by an experiment, Ann. Math. Statist. 27, 1956).
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from cotterline.bench.quantity import COVERAGE, TOOL_PLUS_MINUS, Side, Tool, probabilities
from cotterline.bench.shell.contradictions import Contradiction
from cotterline.bench.shell.evidence import DIRECT, Evidence
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shell.features import FAMILY_AT, FAMILY_IDS, FEATURES, FeatureName, Numbers, Places
from cotterline.bench.shell.likelihood import MODELS
from cotterline.bench.shell.order_conditions import Condition, OrderCondition
from cotterline.bench.shell.outcomes import MEASUREMENTS
from cotterline.bench.shell.posterior import Posterior
from cotterline.bench.shell.prospects import Prospect, prospects

SHOWN = 6
LEAST_GAIN_BITS = 0.0005
LEAST_LIKELY_READING = 0.0005
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


_DIRECT_KINDS = frozenset(str(item.__struct_config__.tag) for item in DIRECT)
_WITH_A_TOOL = frozenset(row.kind for row in MEASUREMENTS if row.tool == "caliper")


class _Need(NamedTuple):
    """What an order still lacks."""

    conditions: set[Condition]
    rivals: tuple[FamilyId, ...]


class _Advised(NamedTuple):
    """A prospect worth taking, with what it is worth."""

    prospect: Prospect
    gain_bits: float
    meets: tuple[Condition, ...]
    tells_apart: tuple[FamilyId, ...]


def next_measurements(
    known: Posterior, conflicts: Sequence[Contradiction], conditions: Sequence[OrderCondition]
) -> tuple[NextMeasurement, ...]:
    """The measurements worth taking, best first; none once an order stands."""
    if all(condition.met for condition in conditions):
        return ()
    rivals = next((c.rivals for c in conditions if isinstance(c.rivals, tuple)), ())
    need = _Need({condition.condition for condition in conditions if not condition.met}, rivals)
    advice = [advised for each in _open(known, conflicts) if (advised := _judge(each, need)) is not None]
    advice.sort(key=_preference)
    return tuple(_told(advised) for advised in advice[:SHOWN])


def _open(known: Posterior, conflicts: Sequence[Contradiction]) -> Iterator[Prospect]:
    """Measurements not taken yet, taken with a coarser tool, or contradicted: the last without what they said."""
    doubted = {conflict.item for conflict in conflicts}
    taken: dict[tuple[str, Side | None], list[int]] = defaultdict(list)
    for index, seen in enumerate(known.observations):
        taken[seen.kind, seen.side].append(index)
    for place, prospect in enumerate(prospects(known)):
        measurement = prospect.candidate.measurement
        items = taken.get((measurement.kind, prospect.candidate.side), [])
        if doubted.intersection(items):
            rest = Posterior([seen for index, seen in enumerate(known.observations) if index not in items])
            yield prospects(rest)[place]._replace(again=True)
        elif not items or _coarse([known.observations[index].item for index in items], measurement.tool):
            yield prospect


def _coarse(taken: Sequence[Evidence], tool: Tool) -> bool:
    finest = min((item.reading.sd for item in taken if hasattr(item, "reading")), default=0.0)
    return finest > FINER * TOOL_PLUS_MINUS[tool] / COVERAGE


def _judge(prospect: Prospect, need: _Need) -> _Advised | None:
    measurement = prospect.candidate.measurement
    gain = prospect.gain * (MODELS.stamp.legible if measurement.kind == "stamp" else 1.0)
    apart = tuple(rival for rival in need.rivals if prospect.apart[FAMILY_AT[rival]])
    meets = tuple(_meets(prospect, need, apart))
    if prospect.outcome[-1] > MOST_IN_VAIN or (gain < LEAST_GAIN_BITS and not meets):
        return None
    return _Advised(prospect, round(max(gain, 0.0), 4), meets, apart)


def _meets(prospect: Prospect, need: _Need, apart: tuple[FamilyId, ...]) -> Iterator[Condition]:
    kind_of_it = prospect.candidate.measurement.kind
    if "nothing_contradicts" in need.conditions and prospect.again:
        yield "nothing_contradicts"
    if "thread_observed" in need.conditions and kind_of_it in _DIRECT_KINDS:
        yield "thread_observed"
    if "rivals_told_apart" in need.conditions and apart:
        yield "rivals_told_apart"
    if "survives_a_slip" in need.conditions and prospect.props:
        yield "survives_a_slip"
    if "width_known" in need.conditions and kind_of_it == "shell_width":
        yield "width_known"


def _preference(advised: _Advised) -> tuple[int, float]:
    """Sorts measurements best first."""
    return -len(advised.meets), -advised.gain_bits / advised.prospect.candidate.measurement.minutes


def _told(advised: _Advised) -> NextMeasurement:
    candidate = advised.prospect.candidate
    measurement = candidate.measurement
    return NextMeasurement(
        kind=measurement.kind,
        side=candidate.side or msgspec.UNSET,
        tool=measurement.tool if measurement.kind in _WITH_A_TOOL else msgspec.UNSET,
        gain_bits=advised.gain_bits,
        minutes=measurement.minutes,
        meets=advised.meets,
        tells_apart=advised.tells_apart,
        how=measurement.how,
        reads=_reads(advised.prospect),
    )


def _reads(prospect: Prospect) -> tuple[Reads, ...]:
    """What outcomes mean; neighbouring readings that make the same family lead are one range."""
    candidate, outcome = prospect.candidate, prospect.outcome
    likely = np.flatnonzero(outcome[:-1] >= LEAST_LIKELY_READING)
    if not len(likely):
        return ()
    leads = _leads(prospect, likely)
    begins = np.ones(len(likely), dtype=bool)
    if candidate.measurement.kind in _WITH_A_TOOL:
        begins[1:] = (likely[1:] != likely[:-1] + 1) | (leads[1:] != leads[:-1])
    firsts = np.flatnonzero(begins)
    totals = probabilities(np.add.reduceat(outcome[likely], firsts))
    ends = [*firsts[1:].tolist(), len(likely)]
    rows = [
        Reads(
            reading=_reading(candidate.labels[likely[first]], candidate.labels[likely[end - 1]]),
            probability=total,
            then=FAMILY_IDS[leads[first]],
        )
        for first, end, total in zip(firsts.tolist(), ends, totals, strict=True)
    ]
    return tuple(sorted(rows, key=lambda row: -row.probability))


def _leads(prospect: Prospect, outcomes: Places) -> Places:
    """Place of the family that would lead after each of some outcomes, on the candidate's side."""
    name, side = prospect.candidate.feature, prospect.candidate.side or "drive"
    chances, base = prospect.candidate.chances[outcomes], prospect.base
    of_families = chances * base.by_feature(side) if name == side else chances @ _joint(base, name, side)
    leads: Places = of_families.argmax(axis=1)
    return leads


def _joint(base: Posterior, name: FeatureName, side: Side) -> Numbers:
    """Probability of each value of a feature (rows) together with each family on a side (columns)."""
    feature, families = FEATURES[name], FEATURES[side]
    both = feature.of_shell * families.values + families.of_shell
    joint = np.bincount(both, base.probabilities, feature.values * families.values)
    return np.asarray(joint, dtype=np.float64).reshape(feature.values, families.values)


def _reading(first: str, last: str) -> str:
    return first if first == last else f"{first} to {last}"
