"""How much each item of evidence weighed, and what it speaks for."""

import math
from collections.abc import Sequence

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import Stamp
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shell.likelihood import read_stamp
from cotterline.bench.shell.likelihood_steps import explain
from cotterline.bench.shell.posterior import Posterior
from cotterline.bench.shell.prior import COUNTRIES, rules

SOURCE = "I. J. Good, Probability and the Weighing of Evidence, 1950"


class EvidenceWeight(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one item did.

    Attributes:
        item: its index in the evidence.
        kind: its kind.
        side: its side, where it has one.
        decibans: by how much it raised (or lowered) the odds of the leading shell, everything else staying.
        speaks_for: the families it fits best by itself; empty where it fits all alike.
    """

    item: int
    kind: str
    decibans: float
    speaks_for: tuple[FamilyId, ...]
    side: Side | msgspec.UnsetType = msgspec.UNSET


def evidence_weights(known: Posterior, trace: Trace) -> tuple[EvidenceWeight, ...]:
    """Weight of every item, in the order given."""
    with_all, *without = known.log10_odds
    weights = [10 * (with_all - odds) for odds in without]
    if trace.wanted:
        _note(known, weights, trace)
    return tuple(
        EvidenceWeight(
            item=index,
            kind=seen.kind,
            side=seen.side or msgspec.UNSET,
            decibans=round(weight, 1) + 0.0,
            speaks_for=seen.speaks_for,
        )
        for index, (seen, weight) in enumerate(zip(known.observations, weights, strict=True))
    )


def _note(known: Posterior, weights: Sequence[float], trace: Trace) -> None:
    leader, (with_all, *without) = known.leader, known.log10_odds
    for index, seen in enumerate(known.observations):
        explain(seen.item, index, leader, trace)
        trace.note(
            f"weight of item {index}, {seen.kind}",
            "10 * (log10_odds_with - log10_odds_without)",
            weights[index],
            "decibans",
            SOURCE,
            log10_odds_with=with_all,
            log10_odds_without=without[index],
        )
    if not math.isinf(with_all):
        trace.note(
            f"probability of {leader.drive.name} / {leader.non_drive.name}",
            "1 / (1 + 10 ** -log10_odds)",
            known.pair_probability(leader),
            "1",
            "Bayes' rule over every shell held possible; priors and error models in the reference data",
            log10_odds=with_all,
        )


def notes(known: Posterior) -> tuple[str, ...]:
    """Remarks that belong to the evidence: unread stamps, traps, unknown countries, the other side unmeasured."""
    return (*_stamp_notes(known), *_origin_notes(known), *_side_notes(known))


def _stamp_notes(known: Posterior) -> list[str]:
    said = []
    for seen in known.observations:
        if isinstance(seen.item, Stamp):
            row = read_stamp(seen.item.text)
            if row is None:
                said.append(f"It is not known what {seen.words} stands for; it counts for nothing.")
            elif row.remark:
                said.append(f"Of {seen.words}: {row.remark}")
    return said


def _origin_notes(known: Posterior) -> list[str]:
    country = known.background.country
    unknown = country is not None and country not in COUNTRIES
    said = [f"No rule knows the country {country}; it counts for nothing."] if unknown else []
    return said + [f"Background: {rule.about}." for rule, _ in rules(known.background) if rule.countries]


def _side_notes(known: Posterior) -> list[str]:
    seen = {seen.side for seen in known.observations}
    if "drive" in seen and "non_drive" in seen:
        return []
    return [
        "Only one side was looked at. A side can have been cut over to another thread: check the other before fitting."
    ]
