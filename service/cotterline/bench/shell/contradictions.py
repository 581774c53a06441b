"""Which observations cannot all be right: said, not averaged away."""

import math
from collections.abc import Iterator

import msgspec

from cotterline.bench.shell.evidence import Evidence, ShellWidth, described, side
from cotterline.bench.shell.families import SHELLS, FamilyId, Shell
from cotterline.bench.shell.likelihood import Likelihood, likelihoods
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior, is_background


class Contradiction(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One observation that the rest of the evidence does not bear out.

    Attributes:
        item: its index in the evidence.
        against: the family the rest of the evidence points to, on that side.
        fits: the family this observation fits best; absent where it fits none.
        decibans: how much better it fits there.
        words: the same for a person.
    """

    item: int
    against: FamilyId
    words: str
    fits: FamilyId | msgspec.UnsetType = msgspec.UNSET
    decibans: float | msgspec.UnsetType = msgspec.UNSET


def contradictions(known: Posterior) -> tuple[Contradiction, ...]:
    """Items that the leading shell explains only as a slip, or far worse than another shell does."""
    return tuple(_found(known))


def _found(known: Posterior) -> Iterator[Contradiction]:
    leader = known.leader
    at = SHELLS.index(leader)
    for index, item in enumerate(known.evidence):
        if is_background(item):
            continue
        chances = likelihoods(item)
        best = max(range(len(SHELLS)), key=lambda i: chances[i].total)
        if _is_slip(chances[best]):
            yield _fits_nothing(index, item, leader)
        elif _decibans(chances[best], chances[at]) >= DECISIVE:
            yield _fits_another(known, index, SHELLS[best], _decibans(chances[best], chances[at]))


def _is_slip(chance: Likelihood) -> bool:
    return chance.slip > chance.proper


def _decibans(better: Likelihood, worse: Likelihood) -> float:
    return DECIBANS * math.log(better.total / worse.total)


def _family(shell: Shell, item: Evidence) -> FamilyId:
    where = side(item)
    return shell.original.id if where is None else shell.at(where).id


def _named(item: Evidence) -> str:
    words = described(item)
    return words[0].upper() + words[1:]


def _fits_nothing(index: int, item: Evidence, leader: Shell) -> Contradiction:
    words = f"{_named(item)} fits no shell the trade knows: take it again."
    return Contradiction(item=index, against=_family(leader, item), words=words)


def _fits_another(known: Posterior, index: int, other: Shell, decibans: float) -> Contradiction:
    leader, item = known.leader, known.evidence[index]

    def told(shell: Shell) -> str:
        where = side(item)
        family = shell.original if where is None else shell.at(where)
        return f"{family.name} {shell.width:g} mm" if isinstance(item, ShellWidth) else family.name

    rest = "the rest of the evidence says" if len(known.evidence) > 1 else "far more common is"
    words = (
        f"{_named(item)} fits {told(other)}, while {rest} "
        f"{told(leader)}. Both cannot be right: take it again before anything is ordered."
    )
    return Contradiction(
        item=index,
        against=_family(leader, item),
        fits=_family(other, item),
        decibans=round(decibans, 1),
        words=words,
    )
