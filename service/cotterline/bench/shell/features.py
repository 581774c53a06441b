"""The whole shells as arrays, in the order of ``SHELLS``, and the features by which readings tell them apart.

A reading speaks of one feature of a shell: the family on a side, the family it was made in, or its width. It is as
probable on one shell as on another with the same feature, so it is weighed once a feature and spread over the shells.
"""

from collections.abc import Hashable, Sequence
from itertools import accumulate, pairwise
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cotterline.bench.quantity import Side
from cotterline.bench.shell.families import FAMILIES, SHELLS, Family, FamilyId, Shell

Numbers = NDArray[np.float64]
Places = NDArray[np.intp]
FeatureName = Literal["drive", "non_drive", "original", "width"]

FAMILY_IDS: Final = tuple(FAMILIES)
FAMILY_AT: Final = {family: place for place, family in enumerate(FAMILY_IDS)}


def fixed(values: Sequence[float] | Sequence[Numbers] | Numbers) -> Numbers:
    """An array that many answers share and so nobody may write to."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


class Feature(NamedTuple):
    """One feature: which value of it each shell has, and how many values there are.

    Attributes:
        of_shell: place of each shell's value among all values.
        values: how many there are.
    """

    of_shell: Places
    values: int

    def totals(self, of_shells: Numbers) -> Numbers:
        """Sums over the shells with each value."""
        sums: Numbers = np.asarray(np.bincount(self.of_shell, of_shells, self.values), dtype=np.float64)
        return sums


WIDTHS: Final = tuple(sorted({shell.width for shell in SHELLS}))


def _feature(values: Sequence[Hashable], all_values: Sequence[Hashable]) -> Feature:
    places = np.array([all_values.index(value) for value in values], dtype=np.intp)
    places.setflags(write=False)
    return Feature(places, len(all_values))


FEATURES: Final[dict[FeatureName, Feature]] = {
    "drive": _feature([shell.drive.id for shell in SHELLS], FAMILY_IDS),
    "non_drive": _feature([shell.non_drive.id for shell in SHELLS], FAMILY_IDS),
    "original": _feature([shell.original.id for shell in SHELLS], FAMILY_IDS),
    "width": _feature([shell.width for shell in SHELLS], WIDTHS),
}


def _columns() -> dict[FeatureName, slice]:
    ends = accumulate((feature.values for feature in FEATURES.values()), initial=0)
    return {name: slice(*columns) for name, columns in zip(FEATURES, pairwise(ends), strict=True)}


COLUMNS: Final = _columns()
"""Where the values of each feature stand among those of all features side by side."""

MEMBERS: Final = fixed(
    np.hstack([feature.of_shell[:, None] == np.arange(feature.values) for feature in FEATURES.values()]).astype(float)
)
"""1 where a shell (row) has a value of a feature (column), all features side by side; else 0."""


class Families(NamedTuple):
    """The shells family by family, as they stand on a side or were made: the families in the order ``SHELLS`` has them.

    Attributes:
        ids: the families.
        shells: every shell, sorted by family.
        starts: where each family begins among ``shells``.
    """

    ids: tuple[FamilyId, ...]
    shells: Places
    starts: Places

    def greatest(self, of_shells: Numbers) -> list[float]:
        """The greatest over the shells of each family."""
        best: list[float] = np.maximum.reduceat(of_shells[self.shells], self.starts).tolist()
        return best


def _families(of_shell: Sequence[FamilyId]) -> Families:
    ids = tuple(dict.fromkeys(of_shell))
    ranks = np.array([ids.index(family) for family in of_shell])
    shells = np.argsort(ranks, kind="stable")
    return Families(ids, shells, np.searchsorted(ranks[shells], np.arange(len(ids))))


BY_FAMILY: Final[dict[Side | None, Families]] = {
    "drive": _families([shell.drive.id for shell in SHELLS]),
    "non_drive": _families([shell.non_drive.id for shell in SHELLS]),
    None: _families([shell.original.id for shell in SHELLS]),
}


class Pair(NamedTuple):
    """A family on each side, whatever the width, and the shells that have them.

    Attributes:
        drive: family on the drive side.
        non_drive: family on the other.
        shells: places of the shells with these two.
        others: places of all other shells.
        same_threads: 1 for each shell whose threads differ in nothing but their hands, else 0.
    """

    drive: Family
    non_drive: Family
    shells: Places
    others: Places
    same_threads: Numbers


def _same_threads(one: Shell, other: Shell) -> bool:
    sides = ((one.drive, other.drive), (one.non_drive, other.non_drive))
    return all(a.diameters == b.diameters and a.pitch == b.pitch and a.form == b.form for a, b in sides)


def _pairs() -> tuple[Pair, ...]:
    first = {(shell.drive.id, shell.non_drive.id): shell for shell in reversed(SHELLS)}
    found = []
    for key in dict.fromkeys((shell.drive.id, shell.non_drive.id) for shell in SHELLS):
        inside = np.array([(shell.drive.id, shell.non_drive.id) == key for shell in SHELLS])
        same = fixed([float(_same_threads(shell, first[key])) for shell in SHELLS])
        shell = first[key]
        found.append(Pair(shell.drive, shell.non_drive, np.flatnonzero(inside), np.flatnonzero(~inside), same))
    return tuple(found)


PAIRS: Final = _pairs()
"""Every pair of families on the two sides, in the order ``SHELLS`` has them."""

PAIR_IDS: Final = tuple((pair.drive.id, pair.non_drive.id) for pair in PAIRS)
OF_PAIR: Final = _feature([(shell.drive.id, shell.non_drive.id) for shell in SHELLS], PAIR_IDS)

WHOLE_PAIRS: Final = np.array([PAIR_IDS.index((family, family)) for family in FAMILY_IDS])
"""The pair of each family with itself, in the order of ``FAMILY_IDS``."""


def _untouched() -> Places:
    of_family = [PAIRS[pair].shells.tolist() for pair in WHOLE_PAIRS]
    most = max(map(len, of_family))
    return np.array([places + places[:1] * (most - len(places)) for places in of_family])


UNTOUCHED: Final = _untouched()
"""Places of each family's untouched shells, a row a family, filled up with its first."""
