"""Every way a small job can turn out, one by one in exact fractions: the second computation of what it costs."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.workload import Workload


@dataclass(frozen=True)
class Outcome:
    """One way: minutes by class, exchanges, and how probable it is."""

    minutes: Mapping[LabourClass, int]
    exchanges: int
    chance: Fraction

    def labour(self, rates: Mapping[LabourClass, Fraction]) -> Fraction:
        """What the minutes cost in minor units."""
        return sum((rates.get(name, Fraction(0)) * spent / 60 for name, spent in self.minutes.items()), Fraction(0))


def outcomes(load: Workload) -> Iterator[Outcome]:
    """Yield every combination of minutes of every part."""
    parts: list[list[tuple[LabourClass, int, int, Fraction]]] = []
    for name, spread in load.fixed.items():
        pairs = zip(spread.values, spread.mass, strict=True)
        parts.append([(name, int(value), 0, Fraction(float(mass))) for value, mass in pairs])
    for risk in load.with_cost:
        chance = Fraction(risk.chance)
        pairs = zip(risk.minutes.values, risk.minutes.mass, strict=True)
        happens = [(risk.labour_class, int(value), 1, chance * Fraction(float(mass))) for value, mass in pairs]
        parts.append([(risk.labour_class, 0, 0, 1 - chance), *happens])
    for chosen in product(*parts):
        minutes: dict[LabourClass, int] = {}
        chance = Fraction(1)
        for name, value, _, mass in chosen:
            minutes[name] = minutes.get(name, 0) + value
            chance *= mass
        yield Outcome(minutes, sum(piece[2] for piece in chosen), chance)


def quantile(totals: Mapping[Fraction, Fraction], share: Fraction) -> Fraction:
    """The smallest total whose chances, with all smaller ones, reach ``share``."""
    reached = Fraction(0)
    for total in sorted(totals):
        reached += totals[total]
        if reached >= share:
            return total
    return max(totals)
