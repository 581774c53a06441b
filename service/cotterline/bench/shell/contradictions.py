"""Which observations cannot all be right: said, not averaged away."""

from collections.abc import Iterator

import msgspec

from cotterline.bench.shell.evidence import ShellWidth
from cotterline.bench.shell.families import FAMILIES, SHELLS, FamilyId, Shell
from cotterline.bench.shell.observation import Observation
from cotterline.bench.shell.posterior import DECIBANS, DECISIVE, Posterior


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
    for index, seen in enumerate(known.observations):
        if seen.background:
            continue
        if seen.best_is_slip:
            yield _fits_nothing(index, seen, known.leader)
            continue
        decibans = DECIBANS * float(seen.logs[seen.best] - seen.logs[known.at])
        if decibans >= DECISIVE:
            yield _fits_another(known, index, SHELLS[seen.best], decibans)


def _named(seen: Observation) -> str:
    return seen.words[0].upper() + seen.words[1:]


def _fits_nothing(index: int, seen: Observation, leader: Shell) -> Contradiction:
    words = f"{_named(seen)} fits no shell the trade knows: take it again."
    return Contradiction(item=index, against=seen.family(leader), words=words)


def _fits_another(known: Posterior, index: int, other: Shell, decibans: float) -> Contradiction:
    leader, seen = known.leader, known.observations[index]

    def told(shell: Shell) -> str:
        name = FAMILIES[seen.family(shell)].name
        return f"{name} {shell.width:g} mm" if isinstance(seen.item, ShellWidth) else name

    rest = "the rest of the evidence says" if len(known.observations) > 1 else "far more common is"
    words = (
        f"{_named(seen)} fits {told(other)}, while {rest} "
        f"{told(leader)}. Both cannot be right: take it again before anything is ordered."
    )
    return Contradiction(
        item=index,
        against=seen.family(leader),
        fits=seen.family(other),
        decibans=round(decibans, 1),
        words=words,
    )
