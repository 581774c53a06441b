"""The work of one job: what it has in common with every job like it, with the chances its own prediction gives."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product

import msgspec
import numpy as np
from msgspec import UNSET, UnsetType
from numpy.typing import NDArray

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import Contingency, Factor, LabourClass, OptionId, Trigger
from cotterline.bench.labour.condition import JobCondition, chance, observed
from cotterline.bench.labour.facts import JobFacts, triggers
from cotterline.bench.labour.minutes import MinuteDistribution, total
from cotterline.bench.labour.outlines import SHIPPED, Found, Outline, Outlines
from cotterline.bench.labour.tasks import Risk, Task
from cotterline.bench.labour.workload import CostRisk, Spread, Workload
from cotterline.bench.quantity import probability

ToldTask = tuple[Task, tuple[float, ...]]
"""A task of an outline, and the chances that are predicted in it."""


class Work:
    """The work of one job with the options chosen.

    Args:
        outline: of it.
        chances: of what is predicted, in the order of ``outline.predicted``.
        told: tasks whose predicted chances were filled in already, for the job with other options.
    """

    def __init__(self, outline: Outline, chances: Sequence[float], told: dict[ToldTask, Task] | None = None) -> None:
        self.outline = outline
        self.chances = chances
        self._told = {} if told is None else told

    @cached_property
    def changed(self) -> Mapping[int, Task]:
        """The tasks with a predicted chance, by their number."""
        by_task: dict[int, tuple[float, ...]] = {}
        for place, value in zip(self.outline.predicted, self.chances, strict=True):
            by_task[place.task] = (*by_task.get(place.task, ()), value)
        found = {}
        for at, chances in by_task.items():
            key = self.outline.tasks[at], chances
            if key not in self._told:
                self._told[key] = key[0].predicted_at(chances)
            found[at] = self._told[key]
        return found

    @cached_property
    def tasks(self) -> tuple[Task, ...]:
        """All of them, in bench order."""
        found = list(self.outline.tasks)
        for at, task in self.changed.items():
            found[at] = task
        return tuple(found)

    def each(
        self, make: Callable[[Outline], tuple[Found, ...]], anew: Callable[[Task, int, Outline], Found]
    ) -> tuple[Found, ...]:
        """Something made of every task: once for the outline, and ``anew`` for each task with a predicted chance."""
        found = self.outline.once(make)
        if not self.changed:
            return found
        made = list(found)
        for at, task in self.changed.items():
            made[at] = anew(task, at, self.outline)
        return tuple(made)

    @cached_property
    def weights(self) -> NDArray[np.float64]:
        """The probability of each case."""
        ways = product(*((1 - value, value) for value in self.chances))
        return np.array([math.prod(way) for way in ways])

    @cached_property
    def minutes(self) -> MinuteDistribution:
        """The minutes of the whole work."""
        if not self.outline.cases:
            return self.load.minutes
        start, masses = self.outline.minutes
        return MinuteDistribution(start, self.weights @ masses)

    @cached_property
    def means(self) -> tuple[float, ...]:
        """The minutes that each operation, and each thing that may go wrong, adds to the whole on average."""
        return tuple(mean for means in self.each(_all_means, _means) for mean in means)

    @cached_property
    def mean(self) -> float:
        """Expected minutes of the whole."""
        return math.fsum(self.means)

    @cached_property
    def p90(self) -> int:
        """Minutes that suffice with probability 0.9."""
        return self.minutes.quantile(0.9)

    @cached_property
    def load(self) -> Workload:
        """The whole work as independent parts, nothing of it in cases."""
        return workload_of(self.tasks)

    @cached_property
    def fixed_means(self) -> Mapping[LabourClass, float]:
        """By labour class, the expected minutes of all operations with the contingencies that cost only time."""
        once = self.each(_fixed_means, _fixed_mean)
        found: dict[LabourClass, float] = {}
        for labour_class, mean in once:
            found[labour_class] = found.get(labour_class, 0.0) + mean
        return found

    @cached_property
    def with_cost(self) -> tuple[CostRisk, ...]:
        """The contingencies that cost more than time."""
        found = self.each(_all_costs, _costs)
        return tuple(risk for risks in found for risk in risks)

    @cached_property
    def spreads(self) -> tuple[Spread, ...]:
        """Where the spread of the minutes comes from, all of it."""
        found = self.each(_all_spreads, _spreads)
        return tuple(spread for spreads in found for spread in spreads)


@dataclass(frozen=True, kw_only=True)
class Job:
    """Everything the work of one job follows from.

    Attributes:
        facts: what the rest of the quote says.
        outlines: by the shop's labour book at its own pace.
        condition: what was seen of the bicycle.
    """

    facts: JobFacts
    outlines: Outlines = SHIPPED
    condition: JobCondition = field(default_factory=JobCondition)

    @cached_property
    def held(self) -> frozenset[Trigger]:
        """Which kinds of operation it has."""
        return triggers(self.facts)

    @cached_property
    def seen(self) -> tuple[Factor, ...]:
        """What was observed that may change a chance."""
        return observed(self.condition)

    @cached_property
    def with_one_length(self) -> "Job":
        """The same job where one length is ordered."""
        if self.facts.lengths_ordered == 1:
            return self
        return replace(self, facts=msgspec.structs.replace(self.facts, lengths_ordered=1))

    @cached_property
    def predicts_anything(self) -> bool:
        """Whether a predicted chance is in the work with any of the options that it offers."""
        return bool(self.work(frozenset(self.outlines.offered(self.held))).outline.predicted)

    @cached_property
    def facts_unpredicted(self) -> JobFacts:
        """The facts without what is predicted."""
        return msgspec.structs.replace(self.facts, miss_first=UNSET, miss_all=UNSET)

    @cached_property
    def _worked_out(self) -> dict[frozenset[OptionId], Work]:
        return {}

    @cached_property
    def _told(self) -> dict[ToldTask, Task]:
        return {}

    def work(self, chosen: frozenset[OptionId]) -> Work:
        """The work with the options ``chosen``; plan and estimate ask for the same."""
        if chosen not in self._worked_out:
            predicted = not isinstance(self.facts.miss_first, UnsetType)
            outline = self.outlines.outline(self.held, chosen, self.seen, predicted=predicted)
            risks = (outline.tasks[place.task].risks[place.risk].row for place in outline.predicted)
            two = "second_spindle" in chosen
            chances = [_chance(misses_of(row, self.facts, two=two)) for row in risks]
            self._worked_out[chosen] = Work(outline, chances, self._told)
        return self._worked_out[chosen]


def with_ordered(facts: JobFacts, wanted: Sequence[OptionId]) -> frozenset[OptionId]:
    """The options in the job: those wanted, and a second length where the order has one already."""
    ordered: frozenset[OptionId] = frozenset({"second_spindle"} if facts.lengths_ordered > 1 else ())
    return ordered | frozenset(wanted)


def misses_of(row: Contingency, facts: JobFacts, *, two: bool) -> tuple[float, float]:
    """The predicted chance that a length misses, and what of it another length catches."""
    first, both = facts.miss_first, facts.miss_all
    if isinstance(first, UnsetType):
        raise TypeError(row.name)  # nobody asks where nothing is predicted
    if not two or isinstance(both, UnsetType):
        return first, 0.0
    neither = min(first, both)
    return (neither, 0.0) if row.cost != "none" else (first, neither)


def note_chances(tasks: Sequence[Task], facts: JobFacts, trace: Trace, *, two: bool) -> None:
    """Record where every chance comes from."""
    for task in tasks:
        for risk, _ in task.walk():
            if risk.predicted:
                _note_predicted(risk, misses_of(risk.row, facts, two=two), trace)
            else:
                chance(risk.row, risk.factors, trace)


def workload_of(work: Sequence[Task]) -> Workload:
    """The work as independent parts."""
    by_class: dict[LabourClass, list[MinuteDistribution]] = {}
    for task in work:
        by_class.setdefault(task.row.labour_class, []).append(task.fixed)
    return Workload(
        fixed={name: total(parts) for name, parts in by_class.items()},
        with_cost=tuple(risk for task in work for risk in task.with_cost),
        spreads=tuple(spread for task in work for spread in task.spreads),
    )


def _chance(predicted: tuple[float, float]) -> float:
    misses, neither = predicted
    return probability(misses - neither)


def _note_predicted(risk: Risk, predicted: tuple[float, float], trace: Trace) -> None:
    misses, neither = predicted
    source = "prediction of the spindle's chain line"
    name = f"chance: {risk.row.name}"
    trace.note(name, "misses - neither", risk.chance, "1", source, misses=misses, neither=neither)


def _all_means(outline: Outline) -> tuple[tuple[float, ...], ...]:
    return tuple(task.means for task in outline.tasks)


def _means(task: Task, _at: int, _outline: Outline) -> tuple[float, ...]:
    return task.means


def _all_costs(outline: Outline) -> tuple[tuple[CostRisk, ...], ...]:
    return tuple(task.with_cost for task in outline.tasks)


def _costs(task: Task, _at: int, _outline: Outline) -> tuple[CostRisk, ...]:
    return task.with_cost


def _all_spreads(outline: Outline) -> tuple[tuple[Spread, ...], ...]:
    return tuple(task.spreads for task in outline.tasks)


def _spreads(task: Task, _at: int, _outline: Outline) -> tuple[Spread, ...]:
    return task.spreads


def _fixed_means(outline: Outline) -> tuple[tuple[LabourClass, float], ...]:
    return tuple(_fixed_mean(task, at, outline) for at, task in enumerate(outline.tasks))


def _fixed_mean(task: Task, _at: int, _outline: Outline) -> tuple[LabourClass, float]:
    """Of the distribution of its minutes the mean, which needs no distribution: means add up."""
    once = task.minutes.mean + sum(_mean(risk) for risk in task.risks if risk.row.cost == "none")
    return task.row.labour_class, task.row.times * once


def _mean(risk: Risk) -> float:
    return risk.chance * (risk.row.extra.mean + sum(map(_mean, risk.follow)))
