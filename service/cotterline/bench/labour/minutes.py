"""Minutes as an exact distribution on a grid of one minute: nothing is sampled.

A triangular time is laid on the grid by linear (hat) weights: what lies between two minutes is shared between them in
proportion. That keeps its total and its mean exactly; its variance grows by at most a quarter of a square minute.
Sums of independent times are convolutions, contingencies are mixtures.
"""

import math
import operator
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache, reduce
from typing import Final

import numpy as np
from numpy.typing import NDArray

_SLACK: Final = 1e-12
"""Sums of masses are rounded: a quantile is not moved by less than this."""


@dataclass(frozen=True, slots=True, eq=False)
class MinuteDistribution:
    """How probable each whole number of minutes is.

    Attributes:
        start: the least number of minutes.
        mass: the probability of ``start``, ``start + 1`` and so on; they add up to 1.

    >>> pins = triangular(5, 10, 15) + exactly(20)
    >>> round(pins.mean, 6), pins.quantile(0.5), pins.quantile(0.9)
    (30.0, 30, 33)
    """

    start: int
    mass: NDArray[np.float64]

    @property
    def values(self) -> NDArray[np.int64]:
        """The minutes the masses belong to."""
        return np.arange(self.start, self.start + len(self.mass), dtype=np.int64)

    @property
    def mean(self) -> float:
        """Expected minutes."""
        return self.start + float(_counted(len(self.mass)) @ self.mass)

    @property
    def variance(self) -> float:
        """Variance in square minutes."""
        away = self.values - self.mean
        return float((away * away) @ self.mass)

    @property
    def sd(self) -> float:
        """Standard deviation in minutes."""
        return math.sqrt(self.variance)

    def cdf(self, minutes: float) -> float:
        """Probability of taking ``minutes`` or less."""
        count = math.floor(minutes) - self.start + 1
        return float(self.mass[: max(count, 0)].sum())

    def quantile(self, share: float) -> int:
        """The smallest number of minutes that suffices with probability ``share``, 0 < share <= 1."""
        return self.quantiles((share,))[0]

    def quantiles(self, shares: Sequence[float]) -> tuple[int, ...]:
        """Each share's quantile."""
        last = len(self.mass) - 1
        found = self.mass.cumsum().searchsorted([share - _SLACK for share in shares]).tolist()
        return tuple(self.start + min(at, last) for at in found)

    def __add__(self, other: "MinuteDistribution") -> "MinuteDistribution":
        return MinuteDistribution(self.start + other.start, np.convolve(self.mass, other.mass))

    def repeated(self, times: int) -> "MinuteDistribution":
        """The sum of ``times`` independent ones like this."""
        return total([self] * times)

    def if_it_happens(self, chance: float) -> "MinuteDistribution":
        """These minutes with probability ``chance``, else none.

        >>> exactly(30).if_it_happens(0.2).mean
        6.0
        """
        mass = np.zeros(self.start + len(self.mass))
        mass[self.start :] = chance * self.mass
        mass[0] += 1 - chance
        return MinuteDistribution(0, mass)


@lru_cache(maxsize=1024)  # most distributions of a shop are of the same few lengths
def _counted(count: int) -> NDArray[np.float64]:
    """The numbers from 0, as many as asked for."""
    numbers = np.arange(count, dtype=np.float64)
    numbers.flags.writeable = False
    return numbers


def exactly(minutes: int) -> MinuteDistribution:
    """A whole number of minutes that is certain."""
    return MinuteDistribution(minutes, np.ones(1))


@lru_cache(maxsize=4096)  # a book's rows come again in every job
def triangular(low: float, likely: float, high: float) -> MinuteDistribution:
    """The triangular distribution, 0 <= low <= likely <= high in minutes, laid on the grid.

    >>> triangular(2.5, 2.5, 2.5).mass.tolist()
    [0.5, 0.5]
    """
    start, end = math.floor(low), math.ceil(high)
    shortfall = [_shortfall(x, low - start, likely - start, high - start) for x in range(-1, end - start + 2)]
    # The mass at a minute is the second difference of the expected shortfall: the integral of density times hat.
    mass = np.maximum(np.diff(shortfall, 2), 0.0)
    mass /= mass.sum()
    mass.flags.writeable = False
    return MinuteDistribution(start, mass)


def total(parts: Iterable[MinuteDistribution]) -> MinuteDistribution:
    """The sum of independent parts; of none, no minutes."""
    found = list(parts)
    return reduce(operator.add, found) if found else exactly(0)


def _shortfall(x: float, low: float, likely: float, high: float) -> float:
    """By how much a triangular variable is expected to stay below ``x``: the integral of its distribution function."""
    if x <= low:
        return 0.0
    if x < likely:
        return (x - low) ** 3 / (3 * (high - low) * (likely - low))
    beyond = x - (low + likely + high) / 3
    return beyond if x >= high else beyond + (high - x) ** 3 / (3 * (high - low) * (high - likely))
