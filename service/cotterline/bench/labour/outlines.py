"""What jobs have in common, worked out once: an outline for all that differ only in what is predicted of their spindle.

Each way the contingencies with a predicted chance can turn out is a case of the outline. The minutes of a job are the
mixture of its cases.
"""

from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache
from itertools import product
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from cotterline.bench.labour.book import DEFAULT_BOOK, Factor, LabourClass, OperationId, OptionId, Trigger
from cotterline.bench.labour.minutes import MinuteDistribution, total
from cotterline.bench.labour.pace import Pace
from cotterline.bench.labour.tasks import Task
from cotterline.bench.labour.workload import Workload
from cotterline.bench.remembering import remembering

Found = TypeVar("Found")

MOST_OPEN: Final = 3
"""Most contingencies of a job kept open; each doubles the cases. A book with more is reckoned anew for each job."""

MOST_OUTLINES: Final = 1024
"""Most outlines a shop's pace remembers, some ten kilobytes each."""


class Case(NamedTuple):
    """One way the open contingencies can turn out.

    Attributes:
        load: the work then; its minutes have those of what happened.
        exchanges: how many spindles are sent back then.
    """

    load: Workload
    exchanges: int


class Place(NamedTuple):
    """Where an open contingency stands: number of its task, and its number in it."""

    task: int
    risk: int


class Outline:
    """What jobs have in common that differ only in the chances a prediction gives.

    Args:
        tasks: in bench order.
        pace: whose they are.
    """

    def __init__(self, tasks: tuple[Task, ...], pace: Pace) -> None:
        self.tasks = tasks
        self.pace = pace
        self._known: dict[Callable[..., Any], Any] = {}

    @cached_property
    def predicted(self) -> tuple[Place, ...]:
        """The contingencies whose chance the prediction gives."""
        return tuple(
            Place(at, number)
            for at, task in enumerate(self.tasks)
            for number, risk in enumerate(task.risks)
            if risk.predicted
        )

    @cached_property
    def cases(self) -> tuple[Case, ...]:
        """Every way they can turn out, in the order of ``product``; none where they are too many to be kept open."""
        repeated = any(self.tasks[place.task].row.times > 1 for place in self.predicted)
        if repeated or len(self.predicted) > MOST_OPEN:
            return ()
        return tuple(map(self._case, product((False, True), repeat=len(self.predicted))))

    @cached_property
    def minutes(self) -> tuple[int, NDArray[np.float64]]:
        """The least number of minutes there is, and for each case the probability of it and those that follow."""
        found = [case.load.minutes for case in self.cases]
        start = min(item.start for item in found)
        masses = np.zeros((len(found), max(item.start + len(item.mass) for item in found) - start))
        for row, item in zip(masses, found, strict=True):
            row[item.start - start : item.start - start + len(item.mass)] = item.mass
        return start, masses

    def once(self, make: "Callable[[Outline], Found]") -> Found:
        """What a function makes of the outline; it is asked once. Only functions of modules, so that they are few."""
        if make not in self._known:
            self._known[make] = make(self)
        found: Found = self._known[make]
        return found

    def _case(self, happened: Sequence[bool]) -> Case:
        kept, exchanges, so = list(self.tasks), 0, dict(zip(self.predicted, happened, strict=True))
        extra: dict[LabourClass, list[MinuteDistribution]] = {}
        for at in {place.task for place in self.predicted}:
            task = self.tasks[at]
            certain = [task.risks[place.risk] for place, it_did in so.items() if place.task == at and it_did]
            extra.setdefault(task.row.labour_class, []).extend(risk.happened for risk in certain)
            exchanges += sum(risk.row.cost == "exchange" for risk in certain)
            kept[at] = task.unpredicted
        fixed = self.pace.minutes(kept)
        fixed |= {name: total([fixed[name], *more]) for name, more in extra.items()}
        return Case(Workload(fixed=fixed, with_cost=tuple(risk for task in kept for risk in task.with_cost)), exchanges)


class Outlines:
    """The outlines of a shop's jobs, as many as are worth remembering."""

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self.offered = lru_cache(maxsize=MOST_OUTLINES)(pace.offered)
        self.operations_of = lru_cache(maxsize=MOST_OUTLINES)(pace.operations_of)
        self._named = remembering(self._operations, MOST_OUTLINES)
        self._outline = remembering(self._outlined, MOST_OUTLINES)

    def outline(
        self, held: frozenset[Trigger], chosen: frozenset[OptionId], seen: Sequence[Factor], *, predicted: bool
    ) -> Outline:
        """The outline of every job of that kind."""
        names, bearing = self._named(held, chosen)
        return self._outline(names, tuple(factor for factor in seen if factor in bearing), predicted)

    def _operations(
        self, held: frozenset[Trigger], chosen: frozenset[OptionId]
    ) -> tuple[tuple[OperationId, ...], frozenset[Factor]]:
        names = self.pace.operations(held, chosen)
        return names, self.pace.bearing_on(names)

    def _outlined(self, names: tuple[OperationId, ...], seen: tuple[Factor, ...], predicted: bool) -> Outline:  # noqa: FBT001 - a key
        return Outline(tuple(self.pace.task(name, seen, predicted=predicted) for name in names), self.pace)


SHIPPED: Final = Outlines(Pace(DEFAULT_BOOK))
"""Of a shop that has no book of its own and recorded no times."""
