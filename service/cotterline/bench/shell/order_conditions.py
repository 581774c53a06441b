"""What an order needs of a verdict. All of it, or no order: a wrong thread ruins a frame, a question costs minutes."""

import math
from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from cotterline.bench.quantity import COVERAGE, Reading
from cotterline.bench.shell.contradictions import Contradiction
from cotterline.bench.shell.evidence import ShellWidth
from cotterline.bench.shell.families import FAMILIES, FamilyId
from cotterline.bench.shell.features import FAMILY_IDS, Numbers, Pair
from cotterline.bench.shell.likelihood import MODELS
from cotterline.bench.shell.observation import Observation
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior
from cotterline.bench.shop import ShopSettings

Condition = Literal[
    "thread_observed",
    "rivals_told_apart",
    "probable_enough",
    "survives_a_slip",
    "width_known",
    "nothing_contradicts",
    "same_thread_both_sides",
    "stock_unit_exists",
]

SURVIVING_PROBABILITY = 0.9
"""Least probability of the leading thread with any one observation left out, for an order. A convention."""

WIDTH_PROBABILITY = 0.95
"""Least probability of the nominal width for an order. A convention."""

NAMES_IT = 1.0
"""Decibans within which an observation names a shell's thread beside the one it fits best. A convention."""

DISFAVOURS = 10 * math.log10(5)
"""Decibans beyond which an observation that names the thread speaks against a shell: 5 to 1. A convention."""

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
        _survives_a_slip(known),
        _width_known(known),
        _nothing_contradicts(conflicts),
        _same_thread(known),
        _stock(known),
    )


def _said(condition: Condition, met: bool, yes: str, no: str) -> OrderCondition:  # noqa: FBT001 - the fact itself
    return OrderCondition(condition=condition, met=met, words=yes if met else no)


def _thread_observed(known: Posterior) -> OrderCondition:
    names_it = [_favour(known, seen) for seen in known.observations if seen.names_thread]
    met = any(favour >= -NAMES_IT for favour in names_it) and all(favour >= -DISFAVOURS for favour in names_it)
    return _said(
        "thread_observed",
        met,
        "The thread itself was observed.",
        _unnamed(known, names_it),
    )


def _unnamed(known: Posterior, names_it: Sequence[float]) -> str:
    if names_it:
        return "What names the thread does not name this one: take it again over a longer thread."
    if not known.leader.drive.threaded:
        return "The shell reads as plain: it has no thread to order by."
    return "Nothing names the thread itself: use a pitch gauge, count crests over a length, or read a stamp."


def _favour(known: Posterior, seen: Observation) -> float:
    """Decibans between the leading shell and the one this item fits best; zero or less."""
    return DECIBANS * float(seen.logs[known.at] - seen.logs[seen.best])


def unseparated(known: Posterior) -> tuple[FamilyId, ...]:
    """Families that what was observed of the shell does not tell apart from the leading one."""
    leader = known.leader.original.id
    apart = known.separation.tolist()
    return tuple(f for f, decibans in zip(FAMILY_IDS, apart, strict=True) if f != leader and decibans < DECISIVE)


def _rivals_told_apart(known: Posterior) -> OrderCondition:
    rivals = unseparated(known)
    if all(seen.background for seen in known.observations):
        words = "Nothing was observed of the shell itself yet."
        return OrderCondition(condition="rivals_told_apart", met=False, words=words, rivals=rivals)
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


def leaning(known: Posterior) -> tuple[int, ...]:
    """Observations without any one of which the leading thread would not be probable enough: a slip would carry it.

    A unit of the right thread and the wrong hand does not start and goes back unharmed, so the hand may rest on one
    look.
    """
    kept = survives(known.probabilities_without, known.pair).tolist()
    return tuple(index for index, seen in enumerate(known.observations) if not (seen.background or kept[index]))


def survives(weights: Numbers, leading: Pair) -> NDArray[np.bool_]:
    """Whether weights of the shells, a row each, leave the leading thread probable enough, hands aside."""
    enough: NDArray[np.bool_] = weights @ leading.same_threads >= SURVIVING_PROBABILITY * weights.sum(axis=-1)
    return enough


def _survives_a_slip(known: Posterior) -> OrderCondition:
    items = leaning(known)
    named = " or ".join(known.observations[index].words for index in items)
    return _said(
        "survives_a_slip",
        not items,
        "No single observation carries the verdict alone.",
        f"The verdict leans on {named} alone: one slip there would overturn it. Take another reading of the thread.",
    )


def _width_known(known: Posterior) -> OrderCondition:
    readings = [seen.item.reading for seen in known.observations if isinstance(seen.item, ShellWidth)]
    width = known.leader.width
    told_apart = known.width_separation >= DECISIVE and known.width_probability >= WIDTH_PROBABILITY
    words = "The reading leaves the nominal width open: measure it with a caliper."
    if not readings:
        words = "The shell's width was not measured."
    elif told_apart:
        words = f"The reading is too far from {width:g} mm: clean or face the shell and measure again."
    met = bool(readings) and told_apart and all(_explained(reading, width) for reading in readings)
    return _said("width_known", met, f"The reading stands for a {width:g} mm shell.", words)


def _explained(reading: Reading, width: float) -> bool:
    """Whether paint, facing and the tool explain the difference from the nominal width."""
    model, tool = MODELS.shell_width, COVERAGE * reading.sd
    return -model.most_under - tool <= reading.mm - width <= model.most_over + tool


def _nothing_contradicts(conflicts: Sequence[Contradiction]) -> OrderCondition:
    return _said(
        "nothing_contradicts",
        not conflicts,
        "No observation contradicts another.",
        f"{len(conflicts)} observation(s) contradict the rest.",
    )


def _same_thread(known: Posterior) -> OrderCondition:
    side = known.retapped_side
    words = "The two sides differ: no stock unit has a different thread on each side."
    if side and not known.leader.mixed:
        words = f"The {side.replace('_', '-')} side reads as if it had been cut over: measure it with a caliper."
    return _said("same_thread_both_sides", side is None, "Both sides have the same thread.", words)


def _stock(known: Posterior) -> OrderCondition:
    family, width = known.leader.drive, known.leader.width
    missing = f"No stock unit screws into {family.name}: see the remedies."
    if not family.threaded:
        missing = f"No unit screws into a plain bore ({family.name}): see the remedies."
    elif family.stock_widths:
        missing = f"No stock unit for {family.name} is made {width:g} mm wide: see the remedies."
    met = family.has_stock_unit(width)
    return _said("stock_unit_exists", met, f"Units for {family.name}, {width:g} mm, are {family.stock}.", missing)
