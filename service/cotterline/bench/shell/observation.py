"""What one item of evidence says of every shell by itself, worked out once for all that is asked of it."""

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from cotterline.bench.quantity import Side
from cotterline.bench.shell.evidence import BACKGROUND, DIRECT, Evidence, described, kind, side
from cotterline.bench.shell.families import FamilyId, Shell
from cotterline.bench.shell.features import BY_FAMILY, FEATURES, Numbers, fixed
from cotterline.bench.shell.likelihood import chances, readable

SHARE_OF_BEST: Final = 0.5
"""An observation speaks for every family under which it is at least this share as probable as under the best."""


class Observation(NamedTuple):
    """One item and what it says.

    Attributes:
        item: as it was given.
        kind: its kind, as on the wire.
        side: its side, where it has one.
        words: as a person would name it.
        counts: whether it says anything of the shell: neither background nor a stamp nobody knows.
        background: whether it speaks of the bicycle rather than its shell.
        names_thread: whether it names the thread itself, and can be read.
        logs: its log-likelihood on every shell.
        best: place of the first shell it fits best.
        best_is_slip: whether even there it is more likely a slip.
        speaks_for: the families it fits best by itself; empty where it fits all alike.
    """

    item: Evidence
    kind: str
    side: Side | None
    words: str
    counts: bool
    background: bool
    names_thread: bool
    logs: Numbers
    best: int
    best_is_slip: bool
    speaks_for: tuple[FamilyId, ...]

    def family(self, shell: Shell) -> FamilyId:
        """The family of ``shell`` this speaks of: the one on its side, or else the one the shell was made in."""
        return shell.original.id if self.side is None else shell.at(self.side).id


@lru_cache(maxsize=4096)
def observation(item: Evidence) -> Observation:
    """What ``item`` says of every shell. The same item says the same in every request."""
    found = chances(item)
    of_shell = FEATURES[found.feature].of_shell
    by_value = found.total
    total = by_value[of_shell]
    best = int(total.argmax())
    place = of_shell[best]
    background, legible = isinstance(item, BACKGROUND), readable(item)
    return Observation(
        item=item,
        kind=kind(item),
        side=side(item),
        words=described(item),
        counts=legible and not background,
        background=background,
        names_thread=legible and isinstance(item, DIRECT),
        logs=fixed(np.log(by_value)[of_shell]),
        best=best,
        best_is_slip=bool(found.slip[place] > found.proper[place]),
        speaks_for=() if background else _speaks_for(side(item), total),
    )


def _speaks_for(where: Side | None, total: Numbers) -> tuple[FamilyId, ...]:
    families = BY_FAMILY[where]
    best = families.greatest(total)
    least = SHARE_OF_BEST * max(best)
    favoured = tuple(family for family, chance in zip(families.ids, best, strict=True) if chance >= least)
    return () if len(favoured) == len(best) else favoured
