"""How much each item of evidence weighed, and what it speaks for."""

import math

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import BACKGROUND, Evidence, Origin, Stamp, described, kind, side
from cotterline.bench.shell.families import SHELLS, FamilyId
from cotterline.bench.shell.likelihood import likelihoods, read_stamp
from cotterline.bench.shell.likelihood_steps import explain
from cotterline.bench.shell.posterior import Posterior
from cotterline.bench.shell.prior import COUNTRIES, background, rules

SHARE_OF_BEST = 0.5
"""An observation speaks for every family under which it is at least this share as probable as under the best."""

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
    leader = known.leader
    with_all = known.log10_odds(leader.drive, leader.non_drive)
    rows = []
    for index, item in enumerate(known.evidence):
        explain(item, index, leader, trace)
        without = known.leave_one_out[index].log10_odds(leader.drive, leader.non_drive)
        weight = trace.note(
            f"weight of item {index}, {kind(item)}",
            "10 * (log10_odds_with - log10_odds_without)",
            10 * (with_all - without),
            "decibans",
            SOURCE,
            log10_odds_with=with_all,
            log10_odds_without=without,
        )
        rows.append(
            EvidenceWeight(
                item=index,
                kind=kind(item),
                side=side(item) or msgspec.UNSET,
                decibans=round(weight, 1) + 0.0,
                speaks_for=_speaks_for(item),
            )
        )
    _note_probability(known, trace, with_all)
    return tuple(rows)


def _note_probability(known: Posterior, trace: Trace, log10_odds: float) -> None:
    leader = known.leader
    if not math.isinf(log10_odds):
        trace.note(
            f"probability of {leader.drive.name} / {leader.non_drive.name}",
            "1 / (1 + 10 ** -log10_odds)",
            known.pair_probability(leader),
            "1",
            "Bayes' rule over every shell held possible; priors and error models in the reference data",
            log10_odds=log10_odds,
        )


def _speaks_for(item: Evidence) -> tuple[FamilyId, ...]:
    if isinstance(item, BACKGROUND):
        return ()
    best: dict[FamilyId, float] = {}
    where = side(item)
    for shell, chance in zip(SHELLS, likelihoods(item), strict=True):
        family = shell.original.id if where is None else shell.at(where).id
        best[family] = max(best.get(family, 0.0), chance.total)
    top = max(best.values())
    favoured = tuple(family for family, chance in best.items() if chance >= SHARE_OF_BEST * top)
    return () if len(favoured) == len(best) else favoured


def notes(known: Posterior) -> tuple[str, ...]:
    """Remarks that belong to the evidence: unread stamps, traps, unknown countries, the other side unmeasured."""
    return (*_stamp_notes(known), *_origin_notes(known), *_side_notes(known))


def _stamp_notes(known: Posterior) -> list[str]:
    said = []
    for item in known.evidence:
        if isinstance(item, Stamp):
            row = read_stamp(item.text)
            if row is None:
                said.append(f"It is not known what {described(item)} stands for; it counts for nothing.")
            elif row.remark:
                said.append(f"Of {described(item)}: {row.remark}")
    return said


def _origin_notes(known: Posterior) -> list[str]:
    said = [
        f"No rule knows the country {item.country}; it counts for nothing."
        for item in known.evidence
        if isinstance(item, Origin) and isinstance(item.country, str) and item.country not in COUNTRIES
    ]
    return said + [f"Background: {rule.about}." for rule, _ in rules(background(known.evidence)) if rule.countries]


def _side_notes(known: Posterior) -> list[str]:
    seen = {side(item) for item in known.evidence}
    if "drive" in seen and "non_drive" in seen:
        return []
    return [
        "Only one side was looked at. A side can have been cut over to another thread: check the other before fitting."
    ]
