"""The operations of a job, each with what may go wrong in it, as distributions."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from cotterline.bench.labour.book import Contingency, Minutes, Operation, OperationId
from cotterline.bench.labour.condition import ObservedFactor
from cotterline.bench.labour.minutes import MinuteDistribution, total, triangular
from cotterline.bench.labour.workload import CostRisk, Spread


@dataclass(frozen=True, kw_only=True)
class Risk:
    """A contingency of this job.

    Attributes:
        id: in the book.
        row: of the book.
        chance: that it happens, once its turn comes.
        factors: what was observed that changes it.
        predicted: whether the chance comes from the spindle's prediction.
        follow: what can only follow on it.
    """

    id: str
    row: Contingency
    chance: float
    factors: tuple[ObservedFactor, ...]
    predicted: bool
    follow: tuple["Risk", ...]

    @cached_property
    def extra(self) -> MinuteDistribution:
        """What it takes by itself."""
        return triangular(self.row.extra.low, self.row.extra.likely, self.row.extra.high)

    @cached_property
    def happened(self) -> MinuteDistribution:
        """What it takes when it happens, with what may follow."""
        return self.extra + total(risk.minutes for risk in self.follow)

    @cached_property
    def minutes(self) -> MinuteDistribution:
        """What it takes, whether it happens or not."""
        return self.happened.if_it_happens(self.chance)

    @cached_property
    def usual(self) -> tuple[int, int]:
        """Minutes that suffice with probability 0.5 and 0.9 when it happens, with what may follow."""
        return self.happened.quantile(0.5), self.happened.quantile(0.9)

    @property
    def variance(self) -> float:
        """What it adds to the variance once its turn comes, what follows on it apart (law of total variance)."""
        return self.chance * self.extra.variance + self.chance * (1 - self.chance) * self.happened.mean**2

    def at(self, chance: float) -> "Risk":
        """The same contingency with another chance; what it takes when it happens is worked out once for all."""
        other = replace(self, chance=chance)
        other.__dict__.update(extra=self.extra, happened=self.happened, usual=self.usual)
        return other

    def walk(self, reach: float = 1.0) -> Iterator[tuple["Risk", float]]:
        """Yield this and all that may follow, each with the probability that its turn comes."""
        yield self, reach
        for risk in self.follow:
            yield from risk.walk(reach * self.chance)


@dataclass(frozen=True, kw_only=True, eq=False)
class Task:
    """An operation of this job: its row, its minutes at the shop's pace, and what may go wrong each time."""

    id: OperationId
    row: Operation
    minutes: Minutes
    risks: tuple[Risk, ...]

    @cached_property
    def once(self) -> MinuteDistribution:
        """Of doing it once, if nothing goes wrong."""
        return triangular(self.minutes.low, self.minutes.likely, self.minutes.high)

    @cached_property
    def fixed(self) -> MinuteDistribution:
        """Of all times together, with the contingencies that cost only time."""
        cheap = [risk.minutes for risk in self.risks if risk.row.cost == "none"]
        return total([self.once, *cheap]).repeated(self.row.times)

    @cached_property
    def unpredicted(self) -> "Task":
        """The same without what a prediction says the chance of."""
        return replace(self, risks=tuple(risk for risk in self.risks if not risk.predicted))

    def predicted_at(self, chances: Sequence[float]) -> "Task":
        """The same with the chances a prediction gives, in the order of what they are of."""
        given = iter(chances)
        return replace(self, risks=tuple(risk.at(next(given)) if risk.predicted else risk for risk in self.risks))

    def walk(self) -> Iterator[tuple[Risk, float]]:
        """Yield all that may go wrong in doing it once, each with the probability that its turn comes."""
        for risk in self.risks:
            yield from risk.walk()

    @cached_property
    def means(self) -> tuple[float, ...]:
        """The minutes that it, and each thing that may go wrong, adds to the whole on average."""
        times = self.row.times
        extra = [times * reach * risk.chance * risk.row.extra.mean for risk, reach in self.walk()]
        return times * self.minutes.mean, *extra

    @cached_property
    def spreads(self) -> tuple[Spread, ...]:
        """What it, and each thing that may go wrong, adds to the spread of the whole."""
        times, rate = self.row.times, self.row.labour_class
        own = times * self.once.variance
        return (
            Spread(kind="operation", id=self.id, name=self.row.name, labour_class=rate, variance=own),
            *(
                Spread(
                    kind="contingency",
                    id=risk.id,
                    name=risk.row.name,
                    labour_class=rate,
                    variance=times * reach * risk.variance,
                )
                for risk, reach in self.walk()
            ),
        )

    @cached_property
    def with_cost(self) -> tuple[CostRisk, ...]:
        """What may go wrong in it and costs more than time."""
        return tuple(
            CostRisk(
                chance=risk.chance,
                minutes=risk.happened,
                labour_class=self.row.labour_class,
                cost=risk.row.cost,
                contingency=risk.id,
            )
            for risk in self.risks
            if risk.row.cost != "none"
        )
