"""The work of one job: its operations in bench order, each with what may go wrong in it, as distributions."""

import heapq
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from graphlib import TopologicalSorter

from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import (
    DEFAULT_BOOK,
    Contingency,
    LabourBook,
    LabourClass,
    Minutes,
    Operation,
    OperationId,
    OptionId,
)
from cotterline.bench.labour.condition import JobCondition, ObservedFactor, chance, factors_of, observed
from cotterline.bench.labour.facts import JobFacts, triggers
from cotterline.bench.labour.learning import Learning, scaled
from cotterline.bench.labour.minutes import MinuteDistribution, total, triangular
from cotterline.bench.labour.workload import CostRisk, Spread, Workload
from cotterline.bench.quantity import probability


@dataclass(frozen=True, kw_only=True)
class Job:
    """Everything the work of one job follows from.

    Attributes:
        facts: what the rest of the quote says.
        book: a labour book that ``check_book`` has nothing against.
        learned: what the shop's recorded times say, by operation.
        condition: what was seen of the bicycle.
    """

    facts: JobFacts
    book: LabourBook = DEFAULT_BOOK
    learned: Mapping[OperationId, Learning] = field(default_factory=dict)
    condition: JobCondition = field(default_factory=JobCondition)

    @cached_property
    def workloads(self) -> dict[frozenset[OptionId], Workload]:
        """What was worked out already, by the options in it: plan and estimate ask for the same."""
        return {}


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

    @property
    def variance(self) -> float:
        """What it adds to the variance once its turn comes, what follows on it apart (law of total variance)."""
        return self.chance * self.extra.variance + self.chance * (1 - self.chance) * self.happened.mean**2

    def walk(self, reach: float = 1.0) -> Iterator[tuple["Risk", float]]:
        """Yield this and all that may follow, each with the probability that its turn comes."""
        yield self, reach
        for risk in self.follow:
            yield from risk.walk(reach * self.chance)


@dataclass(frozen=True, kw_only=True)
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

    def walk(self) -> Iterator[tuple[Risk, float]]:
        """Yield all that may go wrong in doing it once, each with the probability that its turn comes."""
        for risk in self.risks:
            yield from risk.walk()

    def means(self) -> Iterator[float]:
        """Yield the minutes that it, and each thing that may go wrong, adds to the whole on average."""
        yield self.row.times * self.minutes.mean
        for risk, reach in self.walk():
            yield self.row.times * reach * risk.chance * risk.row.extra.mean


def with_ordered(facts: JobFacts, wanted: Sequence[OptionId]) -> frozenset[OptionId]:
    """The options in the job: those wanted, and a second length where the order has one already."""
    ordered: frozenset[OptionId] = frozenset({"second_spindle"} if facts.lengths_ordered > 1 else ())
    return ordered | frozenset(wanted)


def tasks(job: Job, chosen: frozenset[OptionId], trace: Trace) -> tuple[Task, ...]:
    """The operations of the job with the options ``chosen``, in bench order."""
    held = triggers(job.facts)
    found = []
    for name in bench_order(job.book):
        row = job.book.operations[name]
        if row.when in held and (isinstance(row.option, UnsetType) or row.option in chosen):
            learned = job.learned.get(name)
            minutes = scaled(row.minutes, learned.factor) if learned else row.minutes
            found.append(Task(id=name, row=row, minutes=minutes, risks=_risks(name, job, chosen, trace)))
    return tuple(found)


def bench_order(book: LabourBook) -> Iterator[OperationId]:
    """Yield every operation after those it comes after, otherwise as the book has them.

    >>> rows = {name: Operation(name=name, minutes=Minutes(low=1, likely=1, high=1)) for name in "cab"}
    >>> rows["c"] = Operation(name="c", minutes=Minutes(low=1, likely=1, high=1), after=("b",))
    >>> list(bench_order(LabourBook(operations=rows)))
    ['a', 'b', 'c']
    """
    place = {name: index for index, name in enumerate(book.operations)}
    names = list(place)
    sorter = TopologicalSorter(
        {place[name]: [place[each] for each in row.after] for name, row in book.operations.items()}
    )
    sorter.prepare()
    ready: list[int] = []
    while sorter.is_active():
        for index in sorter.get_ready():
            heapq.heappush(ready, index)
        first = heapq.heappop(ready)
        yield names[first]
        sorter.done(first)


def workload_of(work: Sequence[Task]) -> Workload:
    """The work as independent parts."""
    by_class: dict[LabourClass, list[MinuteDistribution]] = defaultdict(list)
    for task in work:
        by_class[task.row.labour_class].append(task.fixed)
    return Workload(
        fixed={name: total(parts) for name, parts in by_class.items()},
        with_cost=tuple(
            CostRisk(
                chance=risk.chance,
                minutes=risk.happened,
                labour_class=task.row.labour_class,
                cost=risk.row.cost,
                contingency=risk.id,
            )
            for task in work
            for risk in task.risks
            if risk.row.cost != "none"
        ),
        spreads=tuple(spread for task in work for spread in _spreads(task)),
    )


def _spreads(task: Task) -> Iterator[Spread]:
    times, rate = task.row.times, task.row.labour_class
    variance = times * task.once.variance
    yield Spread(kind="operation", id=task.id, name=task.row.name, labour_class=rate, variance=variance)
    for risk, reach in task.walk():
        variance = times * reach * risk.variance
        yield Spread(kind="contingency", id=risk.id, name=risk.row.name, labour_class=rate, variance=variance)


def _risks(
    operation: OperationId, job: Job, chosen: frozenset[OptionId], trace: Trace, after: str | UnsetType = UNSET
) -> tuple[Risk, ...]:
    found = []
    for name, row in job.book.contingencies.items():
        if row.operation == operation and row.after == after:
            predicted = _predicted(row, job.facts, two="second_spindle" in chosen)
            factors = () if predicted is not None else factors_of(row, observed(job.condition))
            found.append(
                Risk(
                    id=name,
                    row=row,
                    chance=chance(row, factors, trace) if predicted is None else _noted(row, predicted, trace),
                    factors=factors,
                    predicted=predicted is not None,
                    follow=_risks(operation, job, chosen, trace, name),
                )
            )
    return tuple(found)


def _predicted(row: Contingency, facts: JobFacts, *, two: bool) -> tuple[float, float] | None:
    """Chance that a length misses, and what of it another length catches; nothing where nothing is predicted."""
    first, both = facts.miss_first, facts.miss_all
    if row.chance_from == "book" or isinstance(first, UnsetType):
        return None
    if not two or isinstance(both, UnsetType):
        return first, 0.0
    neither = min(first, both)
    return (neither, 0.0) if row.cost != "none" else (first, neither)


def _noted(row: Contingency, predicted: tuple[float, float], trace: Trace) -> float:
    misses, neither = predicted
    value = probability(misses - neither)
    source = "prediction of the spindle's chain line"
    return trace.note(f"chance: {row.name}", "misses - neither", value, "1", source, misses=misses, neither=neither)
