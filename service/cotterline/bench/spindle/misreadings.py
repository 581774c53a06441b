"""Readings of one length, some of which may be misread: what they say together.

Which of them are misreadings is summed over: every choice gives a normal answer in closed form (Bayesian Data Analysis,
third edition, 2013, section 2.5), and the answers are mixed by their probabilities. Two readings far apart therefore
leave a wide answer, and not the narrow one that settling for either would give. Of the choices only the likeliest are
carried on from reading to reading; up to ``_CARRIED`` of them nothing is left out.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from cotterline.bench.quantity import Length

_CARRIED: Final = 32
"""Most choices of misreadings that are carried on: all of them up to five readings."""

_NEGLIGIBLE: Final = 30.0
"""A choice is dropped whose probability is less than the greatest by this factor's exponential."""


@dataclass(frozen=True, slots=True)
class Normal:
    """A mean and a standard deviation, unrounded; mm."""

    mean: float
    sd: float

    @property
    def length(self) -> Length:
        """As the service states it."""
        return Length.mm(self.mean, self.sd)


@dataclass(frozen=True, slots=True)
class Choices:
    """What is known after some readings: a normal distribution for each choice of misreadings, likeliest first."""

    chances: tuple[float, ...]
    means: tuple[float, ...]
    sds: tuple[float, ...]
    good: tuple[tuple[bool, ...], ...]

    def weight(self, place: int) -> float:
        """Probability that a reading is no misreading."""
        return math.fsum(p for p, well in zip(self.chances, self.good, strict=True) if well[place])

    @property
    def mixed(self) -> Normal:
        """Mean and standard deviation of all together."""
        mean = math.fsum(p * m for p, m in zip(self.chances, self.means, strict=True))
        parts = zip(self.chances, self.means, self.sds, strict=True)
        return Normal(mean, math.sqrt(math.fsum(p * (sd * sd + (m - mean) ** 2) for p, m, sd in parts)))


@lru_cache(maxsize=1024)
def choices(before: Normal, readings: tuple[Normal, ...], chance: float, slip: float) -> Choices:
    """What is known after some readings, each of which may be misread.

    They are taken in one by one, those nearest their median first, so that the bulk of them leads.

    Args:
        before: what was known.
        readings: each with the spread it has unless it is a misreading.
        chance: that a reading is one.
        slip: standard deviation that a misreading has besides.

    >>> far_apart = (Normal(-15.0, 0.6), Normal(-8.0, 0.6))
    >>> found = choices(Normal(-12.0, 3.0), far_apart, 0.03, 10.0)
    >>> round(found.mixed.sd, 1), round(choices(Normal(-12.0, 3.0), far_apart, 0.0, 10.0).mixed.sd, 1)
    (3.3, 0.4)
    """
    median = float(np.median([each.mean for each in readings])) if readings else 0.0
    order = sorted(range(len(readings)), key=lambda place: (abs(readings[place].mean - median), place))
    precision = np.array([1 / before.sd**2])
    pull = np.array([before.mean / before.sd**2])
    log_chance = np.zeros(1)
    good = np.ones((1, len(readings)), dtype=bool)
    shares = [(True, 1 - chance, 0.0), *([(False, chance, slip)] if chance else [])]
    for place in order:
        reading = readings[place]
        grown = []
        for well, share, extra in shares:
            variance = reading.sd**2 + extra**2
            spread = 1 / precision + variance
            fit = np.log(spread) + (reading.mean - pull / precision) ** 2 / spread
            marked = good.copy()
            marked[:, place] = well
            likelihood = log_chance + math.log(share) - fit / 2
            grown.append((precision + 1 / variance, pull + reading.mean / variance, likelihood, marked))
        precision, pull, log_chance, good = (np.concatenate(parts) for parts in zip(*grown, strict=True))
        kept = np.argsort(-log_chance, kind="stable")[:_CARRIED]
        kept = kept[log_chance[kept] > log_chance[kept[0]] - _NEGLIGIBLE]
        precision, pull, log_chance, good = (
            precision[kept],
            pull[kept],
            log_chance[kept] - log_chance[kept[0]],
            good[kept],
        )
    chances = np.exp(log_chance) / np.exp(log_chance).sum()
    return Choices(
        chances=tuple(chances.tolist()),
        means=tuple((pull / precision).tolist()),
        sds=tuple((1 / np.sqrt(precision)).tolist()),
        good=tuple(map(tuple, good.tolist())),
    )
