"""A labour book at a shop's own pace: what follows from the two alone, worked out once for all their jobs."""

import heapq
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, get_args

from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import QUIET
from cotterline.bench.labour.book import (
    DEFAULT_BOOK,
    Contingency,
    Factor,
    LabourBook,
    LabourClass,
    Minutes,
    OperationId,
    OptionId,
    Trigger,
)
from cotterline.bench.labour.condition import chance, factors_of
from cotterline.bench.labour.learning import Learning, scaled
from cotterline.bench.labour.minutes import MinuteDistribution, total
from cotterline.bench.labour.tasks import Risk, Task
from cotterline.bench.remembering import remembering

OPTIONS: Final[tuple[OptionId, ...]] = get_args(OptionId)
_MOST_TASKS: Final = 1024
"""Most tasks remembered: of the shipped book, what may be seen of a bicycle makes fewer than this."""
_MOST_SUMS: Final = 4096
"""Most sums of tasks remembered: some kilobytes each, and jobs come in more kinds than are worth keeping."""


class Pace:
    """A labour book at a shop's own pace.

    Args:
        book: a labour book that ``check_book`` has nothing against.
        learned: what the shop's recorded times say, by operation.
    """

    def __init__(self, book: LabourBook = DEFAULT_BOOK, learned: Mapping[OperationId, Learning] | None = None) -> None:
        factors = {name: item.factor for name, item in (learned or {}).items()}
        rows = book.operations
        self.book = book
        self.order = tuple(bench_order(book))
        self._minutes: dict[OperationId, Minutes] = {
            name: scaled(row.minutes, factors[name]) if name in factors else row.minutes for name, row in rows.items()
        }
        self._following: dict[tuple[OperationId, str | UnsetType], list[tuple[str, Contingency]]] = defaultdict(list)
        self._bearing: dict[OperationId, set[Factor]] = defaultdict(set)
        for name, contingency in book.contingencies.items():
            self._following[contingency.operation, contingency.after].append((name, contingency))
            self._bearing[contingency.operation].update(contingency.odds)
        self._task = remembering(self._made, _MOST_TASKS)
        self._sum = remembering(self._added, _MOST_SUMS)

    def operations(self, held: frozenset[Trigger], chosen: frozenset[OptionId]) -> tuple[OperationId, ...]:
        """The operations of a job with the options ``chosen``, in bench order."""
        rows = self.book.operations
        return tuple(name for name in self.order if rows[name].when in held and rows[name].option in (UNSET, *chosen))

    def offered(self, held: frozenset[Trigger]) -> tuple[OptionId, ...]:
        """The options that a job offers."""
        offered = {row.option for row in self.book.operations.values() if row.when in held}
        return tuple(option for option in OPTIONS if option in offered)

    def operations_of(self, option: OptionId, held: frozenset[Trigger]) -> tuple[OperationId, ...]:
        """What is done for an option, as the book has it."""
        rows = self.book.operations.items()
        return tuple(name for name, row in rows if row.option == option and row.when in held)

    def bearing_on(self, operations: Sequence[OperationId]) -> frozenset[Factor]:
        """What may be observed that changes the chance of anything in these operations."""
        return frozenset[Factor]().union(*(self._bearing[name] for name in operations if name in self._bearing))

    def task(self, operation: OperationId, seen: Sequence[Factor], *, predicted: bool) -> Task:
        """An operation with what may go wrong in it.

        Args:
            operation: of the book.
            seen: what was observed of the bicycle.
            predicted: whether the spindle's prediction says how probable some of it is. Their chances are then not
                the book's but to be filled in.
        """
        bearing = self._bearing.get(operation, ())
        return self._task(operation, tuple(factor for factor in seen if factor in bearing), predicted)

    def minutes(self, tasks: Sequence[Task]) -> dict[LabourClass, MinuteDistribution]:
        """By labour class, the minutes of the tasks with the contingencies that cost only time.

        What the options do not touch is added up once for all of them.
        """
        found: dict[LabourClass, MinuteDistribution] = {}
        for labour_class in dict.fromkeys(task.row.labour_class for task in tasks):
            of_class = [task for task in tasks if task.row.labour_class == labour_class]
            always = tuple(task for task in of_class if isinstance(task.row.option, UnsetType))
            optional = [task.fixed for task in of_class if not isinstance(task.row.option, UnsetType)]
            found[labour_class] = total([self._sum(always), *optional])
        return found

    def _made(self, operation: OperationId, seen: tuple[Factor, ...], predicted: bool) -> Task:  # noqa: FBT001 - a key
        risks = self._risks(operation, seen, UNSET, predicted=predicted)
        return Task(
            id=operation, row=self.book.operations[operation], minutes=self._minutes[operation], risks=tuple(risks)
        )

    def _risks(
        self, operation: OperationId, seen: tuple[Factor, ...], after: str | UnsetType, *, predicted: bool
    ) -> Iterator[Risk]:
        for name, row in self._following.get((operation, after), ()):
            is_predicted = predicted and row.chance_from == "spindle"
            factors = () if is_predicted else factors_of(row, seen)
            yield Risk(
                id=name,
                row=row,
                chance=row.chance if is_predicted else chance(row, factors, QUIET),
                factors=factors,
                predicted=is_predicted,
                follow=tuple(self._risks(operation, seen, name, predicted=predicted)),
            )

    def _added(self, tasks: tuple[Task, ...]) -> MinuteDistribution:
        """Half by half, as jobs that differ in one half have the other in common."""
        half = len(tasks) // 2
        return self._sum(tasks[:half]) + self._sum(tasks[half:]) if half else total(task.fixed for task in tasks)


def bench_order(book: LabourBook) -> Iterator[OperationId]:
    """Yield every operation after those it comes after, otherwise as the book has them.

    >>> from cotterline.bench.labour.book import Operation
    >>> rows = {name: Operation(name=name, minutes=Minutes(low=1, likely=1, high=1)) for name in "cab"}
    >>> rows["c"] = Operation(name="c", minutes=Minutes(low=1, likely=1, high=1), after=("b",))
    >>> list(bench_order(LabourBook(operations=rows)))
    ['a', 'b', 'c']
    """
    names = list(book.operations)
    place = {name: index for index, name in enumerate(names)}
    waits_for = {name: len(set(row.after)) for name, row in book.operations.items()}
    leads_to: dict[OperationId, list[OperationId]] = defaultdict(list)
    for name, row in book.operations.items():
        for before in dict.fromkeys(row.after):
            leads_to[before].append(name)
    ready = [place[name] for name in names if waits_for[name] == 0]
    while ready:
        name = names[heapq.heappop(ready)]
        yield name
        for following in leads_to[name]:
            waits_for[following] -= 1
            if waits_for[following] == 0:
                heapq.heappush(ready, place[following])
