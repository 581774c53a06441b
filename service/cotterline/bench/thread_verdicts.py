"""The thread verdict: which shell this is, whether to order on it, and what to measure if not.

A verdict is fit to order only when the thread itself was observed, every rival is told apart by what was observed of
the shell, nothing contradicts, and a stock unit exists. Everything short of that asks for one more measurement.
"""

from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Step, Trace
from cotterline.bench.quantity import Length, Side, in_unit, probabilities, probability
from cotterline.bench.shell import order_conditions
from cotterline.bench.shell.contradictions import Contradiction, contradictions
from cotterline.bench.shell.evidence import Evidence, EvidenceList, ShellWidth, check
from cotterline.bench.shell.families import FAMILIES, FamilyId, Grade, Hand, Shell, Stock
from cotterline.bench.shell.features import FAMILY_IDS
from cotterline.bench.shell.next_measurement import NextMeasurement, next_measurements
from cotterline.bench.shell.order_conditions import OrderCondition
from cotterline.bench.shell.posterior import Posterior, posterior
from cotterline.bench.shell.weights import EvidenceWeight, evidence_weights, notes
from cotterline.bench.shell.wrong_order import WrongOrder, wrong_order
from cotterline.bench.shop import ShopSettings

State = Literal["fit_to_order", "likely", "undecided", "contradictory"]

LIKELY = 0.8
"""Probability from which a leading thread is called likely. A convention."""

RIVALS_SHOWN = 4


class VerdictRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Evidence about one shell.

    Attributes:
        evidence: what was observed of it.
        settings: used instead of the shop's, where given.
    """

    evidence: EvidenceList
    settings: ShopSettings | UnsetType = UNSET


class Cup(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One side of the shell.

    Attributes:
        side: drive or non-drive.
        family: its thread or bore.
        hand: hand of its thread, where it has one.
        unscrews: direction that loosens the cup, seen from its own side.
    """

    side: Side
    family: FamilyId
    hand: Hand | UnsetType = UNSET
    unscrews: Literal["clockwise", "anticlockwise"] | UnsetType = UNSET


class Leading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The most probable shell."""

    drive: FamilyId
    non_drive: FamilyId
    name: str
    designation: str
    probability: float
    cups: tuple[Cup, Cup]
    stock: Stock
    source: str
    grade: Grade


class FamilyProbability(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Probability that a family stands on both sides, on the drive side, on the non-drive side."""

    family: FamilyId
    both: float
    drive: float
    non_drive: float


class MixtureProbability(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Probability of a shell with one side cut over to another thread."""

    drive: FamilyId
    non_drive: FamilyId
    probability: float


class NominalWidth(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The nominal shell width a reading stands for, and how sure that is."""

    nominal: Length
    probability: float
    measured: bool


class Verdict(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything the evidence says about one shell.

    Attributes:
        state: ``fit_to_order``, ``likely``, ``undecided`` or ``contradictory``.
        leading: the most probable shell.
        shell_width: the nominal width the reading stands for.
        families: every family's probability, most probable first.
        mixtures: shells with one side cut over, most probable first.
        weights: what each item of evidence did to the odds of the leading shell, in the order given.
        contradictions: items that cannot all be right.
        order_conditions: what an order needs, and what of it is missing.
        next_measurements: what would settle it, best first.
        wrong_orders: what a wrong order would cost, most probable rival first.
        notes: what else a mechanic should know.
        derivation: how each number came about, where asked for.
    """

    state: State
    leading: Leading
    shell_width: NominalWidth
    families: tuple[FamilyProbability, ...]
    mixtures: tuple[MixtureProbability, ...]
    weights: tuple[EvidenceWeight, ...]
    contradictions: tuple[Contradiction, ...]
    order_conditions: tuple[OrderCondition, ...]
    next_measurements: tuple[NextMeasurement, ...]
    wrong_orders: tuple[WrongOrder, ...]
    notes: tuple[str, ...]
    derivation: tuple[Step, ...] | UnsetType = UNSET


def judge(request: VerdictRequest, shop: ShopSettings, trace: Trace) -> Verdict:
    """The verdict on a request, in the unit its settings, or else the shop's, ask for."""
    settings = shop if isinstance(request.settings, UnsetType) else request.settings
    return in_unit(verdict(request.evidence, settings, trace), settings.units)


def verdict(evidence: Sequence[Evidence], settings: ShopSettings, trace: Trace, pointer: str = "/evidence") -> Verdict:
    """Weigh the evidence and say what it allows.

    Args:
        evidence: at least one item, in any order.
        settings: the shop's; ``order_probability`` is used.
        trace: collects the derivation.
        pointer: where the evidence stands in the request, for faults.

    Raises:
        CotterlineError: where an item is impossible or two cannot be about one bicycle.
    """
    check(evidence, pointer)
    return weigh(evidence, settings, trace)


def weigh(evidence: Sequence[Evidence], settings: ShopSettings, trace: Trace) -> Verdict:
    """As ``verdict``, for evidence that has been checked."""
    known = posterior(evidence)
    leader = known.leader
    conflicts = contradictions(known)
    conditions = order_conditions.order_conditions(known, conflicts, settings)
    return Verdict(
        state=_state(known, conflicts, conditions),
        leading=_leading(known),
        shell_width=_width(known),
        families=_families(known),
        mixtures=_mixtures(known),
        weights=evidence_weights(known, trace),
        contradictions=conflicts,
        order_conditions=conditions,
        next_measurements=next_measurements(known, conflicts, conditions),
        wrong_orders=_wrong_orders(known, leader, trace),
        notes=notes(known),
        derivation=tuple(trace.steps) if trace.wanted else UNSET,
    )


def _state(known: Posterior, conflicts: Sequence[Contradiction], conditions: Sequence[OrderCondition]) -> State:
    if conflicts:
        return "contradictory"
    if all(condition.met for condition in conditions):
        return "fit_to_order"
    return "likely" if known.pair_probability(known.leader) >= LIKELY else "undecided"


def _cup(shell: Shell, side: Side) -> Cup:
    family = shell.at(side)
    hand = family.hand(side)
    if hand is None:
        return Cup(side=side, family=family.id)
    return Cup(side=side, family=family.id, hand=hand, unscrews="clockwise" if hand == "left" else "anticlockwise")


def _leading(known: Posterior) -> Leading:
    shell = known.leader
    drive, other = shell.drive, shell.non_drive
    mixed = shell.mixed
    return Leading(
        drive=drive.id,
        non_drive=other.id,
        name=f"{drive.name} on the drive side, {other.name} on the other" if mixed else drive.name,
        designation=f"{drive.designation} / {other.designation}" if mixed else drive.designation,
        probability=probability(known.pair_probability(shell)),
        cups=(_cup(shell, "drive"), _cup(shell, "non_drive")),
        stock="none" if mixed else drive.stock,
        source=drive.source,
        grade=drive.grade,
    )


def _width(known: Posterior) -> NominalWidth:
    return NominalWidth(
        nominal=Length.mm(known.leader.width),
        probability=probability(known.width_probability),
        measured=any(isinstance(seen.item, ShellWidth) for seen in known.observations),
    )


def _families(known: Posterior) -> tuple[FamilyProbability, ...]:
    columns = [known.whole, known.by_feature("drive"), known.by_feature("non_drive")]
    stated = probabilities(np.concatenate(columns))
    size = len(FAMILY_IDS)
    rows = [(-stated[at], -stated[size + at], -stated[2 * size + at], at) for at in range(size)]
    return tuple(
        FamilyProbability(family=FAMILY_IDS[place], both=-both, drive=-drive, non_drive=-other)
        for both, drive, other, place in sorted(rows)
    )


def _mixtures(known: Posterior) -> tuple[MixtureProbability, ...]:
    pairs = [(drive, other, p) for (drive, other), p in known.pairs.items() if drive != other]
    rows = [
        MixtureProbability(drive=drive, non_drive=other, probability=probability(p))
        for drive, other, p in sorted(pairs, key=lambda pair: -pair[2])
    ]
    return tuple(rows)


def _wrong_orders(known: Posterior, leader: Shell, trace: Trace) -> tuple[WrongOrder, ...]:
    ordered = leader.drive
    rivals = [
        (p, FAMILIES[drive]) for (drive, other), p in known.pairs.items() if drive == other and drive != ordered.id
    ]
    rivals.sort(key=lambda rival: -rival[0])
    return tuple(wrong_order(ordered, rival, probability(p), trace) for p, rival in rivals[:RIVALS_SHOWN])
