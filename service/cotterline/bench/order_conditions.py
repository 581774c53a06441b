"""What an order needs of a verdict. All of it, or no order: a wrong thread ruins a frame, a question costs minutes."""

from collections.abc import Sequence
from typing import Literal

import msgspec

from cotterline.bench.contradictions import Contradiction
from cotterline.bench.evidence import DIRECT, ShellWidth, Stamp
from cotterline.bench.families import FAMILIES, FamilyId
from cotterline.bench.likelihood import read_stamp
from cotterline.bench.posterior import DECISIVE, Posterior
from cotterline.bench.shop import ShopSettings

Condition = Literal[
    "thread_observed",
    "rivals_told_apart",
    "probable_enough",
    "width_known",
    "nothing_contradicts",
    "same_thread_both_sides",
    "stock_unit_exists",
]

WIDTH_PROBABILITY = 0.95
"""Least probability of the nominal width for an order. A convention."""

NAMED = 5
"""Rivals named in words; all of them stand in the list."""


class OrderCondition(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One condition of an order.

    Attributes:
        condition: which.
        met: whether the evidence meets it.
        words: the same for a person.
        rivals: families the observations do not tell apart from the leading one.
    """

    condition: Condition
    met: bool
    words: str
    rivals: tuple[FamilyId, ...] | msgspec.UnsetType = msgspec.UNSET


def order_conditions(
    known: Posterior, conflicts: Sequence[Contradiction], settings: ShopSettings
) -> tuple[OrderCondition, ...]:
    """Every condition, met or not, in the order a mechanic would see to them."""
    return (
        _thread_observed(known),
        _rivals_told_apart(known),
        _probable_enough(known, settings),
        _width_known(known),
        _nothing_contradicts(conflicts),
        _same_thread(known),
        _stock(known),
    )


def _said(condition: Condition, met: bool, yes: str, no: str) -> OrderCondition:  # noqa: FBT001 - the fact itself
    return OrderCondition(condition=condition, met=met, words=yes if met else no)


def _thread_observed(known: Posterior) -> OrderCondition:
    direct = [item for item in known.evidence if isinstance(item, DIRECT)]
    met = any(not isinstance(item, Stamp) or read_stamp(item.text) for item in direct)
    return _said(
        "thread_observed",
        met,
        "The thread itself was observed.",
        "Nothing names the thread itself: use a pitch gauge, count crests over a length, or read a stamp.",
    )


def unseparated(known: Posterior) -> tuple[FamilyId, ...]:
    """Families that what was observed of the shell does not tell apart from the leading one."""
    leader = known.leader.original.id
    return tuple(family for family in FAMILIES if family != leader and known.separation(leader, family) < DECISIVE)


def _rivals_told_apart(known: Posterior) -> OrderCondition:
    rivals = unseparated(known)
    names = ", ".join(FAMILIES[rival].name for rival in rivals[:NAMED])
    if len(rivals) > NAMED:
        names += f" and {len(rivals) - NAMED} more"
    return OrderCondition(
        condition="rivals_told_apart",
        met=not rivals,
        words=f"What was observed fits these nearly as well: {names}." if rivals else "Every other thread is excluded.",
        rivals=rivals or msgspec.UNSET,
    )


def _probable_enough(known: Posterior, settings: ShopSettings) -> OrderCondition:
    p = known.pair_probability(known.leader)
    return _said(
        "probable_enough",
        p >= settings.order_probability,
        f"The leading thread has {p:.1%}; the shop asks for {settings.order_probability:.1%}.",
        f"The leading thread has only {p:.1%}; the shop asks for {settings.order_probability:.1%}.",
    )


def _width_known(known: Posterior) -> OrderCondition:
    measured = any(isinstance(item, ShellWidth) for item in known.evidence)
    width = known.leader.width
    return _said(
        "width_known",
        measured and known.width_probability >= WIDTH_PROBABILITY,
        f"The reading stands for a {width:g} mm shell.",
        "The reading leaves the nominal width open: measure it with a caliper."
        if measured
        else "The shell's width was not measured.",
    )


def _nothing_contradicts(conflicts: Sequence[Contradiction]) -> OrderCondition:
    return _said(
        "nothing_contradicts",
        not conflicts,
        "No observation contradicts another.",
        f"{len(conflicts)} observation(s) contradict the rest.",
    )


def _same_thread(known: Posterior) -> OrderCondition:
    return _said(
        "same_thread_both_sides",
        not known.leader.mixed,
        "Both sides have the same thread.",
        "The two sides differ: no stock unit has a different thread on each side.",
    )


def _stock(known: Posterior) -> OrderCondition:
    family = known.leader.drive
    return _said(
        "stock_unit_exists",
        family.has_stock_unit,
        f"Units for {family.name} are {family.stock}.",
        f"No stock unit screws into {family.name}: see the remedies.",
    )
