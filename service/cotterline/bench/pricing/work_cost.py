"""What work costs, as an exact distribution: hours at their rates, and exchanges that cost more than time.

Minutes of each labour class times its hourly rate are whole numbers of sixtieths of a minor unit, so amounts are kept
as integers and equal amounts are merged without rounding. Independent sums are outer sums; a contingency with a cost of
its own is a branch that also counts an exchange. Nothing is sampled.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.minutes import MinuteDistribution
from cotterline.bench.labour.tasks import Task
from cotterline.bench.labour.workload import CostRisk, Workload

PARTS_OF_A_MINOR_UNIT: Final = 60
"""A minute at an hourly rate of whole minor units is a whole number of sixtieths of one."""

MOST_POINTS: Final = 250_000
"""Most points of an outer sum; a wider one is laid on a coarser grid of minutes first."""

_ROW_TO_POINTS: Final = 8
"""How much longer than the points a row may be that they are counted on, before sorting them is faster."""

MOST_RISKS: Final = 8
"""Most contingencies of one job with a cost of their own; each doubles the branches there are."""


@dataclass(frozen=True, slots=True, eq=False)
class WorkCost:
    """How probable each sum for labour together with each number of exchanges is.

    Attributes:
        labour: in sixtieths of a minor unit, at plain rates.
        exchanges: how often a spindle is sent back.
        mass: the probability of each pair; they add up to 1.
        step: every sum for labour is a multiple of it; 0 where all are nothing.
        grid_minutes: the grid the minutes were laid on; 1 unless a book is too wide for it.
    """

    labour: NDArray[np.int64]
    exchanges: NDArray[np.int64]
    mass: NDArray[np.float64]
    step: int
    grid_minutes: int = 1

    def __add__(self, other: "WorkCost") -> "WorkCost":
        step, columns = gcd(self.step, other.step), int(self.exchanges.max() + other.exchanges.max()) + 1
        places = np.add.outer(self.places(step, columns), other.places(step, columns)).ravel()
        return _merged(places, np.outer(self.mass, other.mass).ravel(), columns, step, self.grid_minutes)

    def places(self, step: int, columns: int) -> NDArray[np.int64]:
        """Each pair as one number, so that those of a sum are sums, as long as there are fewer exchanges than that."""
        found: NDArray[np.int64] = self.labour // max(step, 1) * columns + self.exchanges
        return found


def work_cost(workload: Workload, rates: Mapping[LabourClass, Fraction], most_points: int = MOST_POINTS) -> WorkCost:
    """The distribution of what the work costs, before any rule of the bill.

    Args:
        workload: its minutes, and its contingencies that cost more than time.
        rates: by class, whole minor units an hour; a class without one adds no cost.
        most_points: beyond how many points the grid of minutes is made coarser, keeping every mean.

    Raises:
        CotterlineError: ``impossible-value`` where more than ``MOST_RISKS`` contingencies have a cost of their own.
    """
    if len(workload.with_cost) > MOST_RISKS:
        detail = f"At most {MOST_RISKS} contingencies of one job may cost more than time; the labour book has more."
        raise CotterlineError("impossible-value", detail)
    grid = 1
    while (cost := _on_grid(workload, rates, grid, most_points)) is None:
        grid *= 2
    return cost


def coarser(minutes: MinuteDistribution, grid: int) -> MinuteDistribution:
    """The same minutes in units of ``grid`` minutes; what lies between two is shared so that the mean stays."""
    if grid == 1:
        return minutes
    whole, rest = np.divmod(minutes.values, grid)
    start = int(whole[0])
    upper = rest / grid
    mass = np.zeros(int(whole[-1]) - start + 2)
    np.add.at(mass, whole - start, minutes.mass * (1 - upper))
    np.add.at(mass, whole - start + 1, minutes.mass * upper)
    return MinuteDistribution(start, mass)


def _on_grid(workload: Workload, rates: Mapping[LabourClass, Fraction], grid: int, most_points: int) -> WorkCost | None:
    """The distribution on a grid of minutes, or nothing where that takes too many points.

    Costs of one class lie on one lattice and merge well, so each class is summed before the classes are.
    """
    total: WorkCost | None = None
    for labour_class in get_args(LabourClass):
        for_class: WorkCost | None = None
        for piece in _pieces(workload, labour_class, int(rates.get(labour_class, 0)) * grid, grid):
            if for_class is not None and len(for_class.mass) * len(piece.mass) > most_points:
                return None
            for_class = piece if for_class is None else for_class + piece
        if total is not None and for_class is not None and len(total.mass) * len(for_class.mass) > most_points:
            return None
        total = for_class if total is None else total if for_class is None else total + for_class
    return _nothing(grid) if total is None else total


def fits(tasks: Sequence[Task], most_points: int = MOST_POINTS) -> bool:
    """Whether the work surely takes no coarser grid, at any rates; otherwise only ``work_cost`` can tell.

    The sums of one class have at most as many points as it has minutes, for each number of exchanges.
    """
    points = widest = 1
    for labour_class in get_args(LabourClass):
        of_class = [task for task in tasks if task.row.labour_class == labour_class]
        risks = [len(risk.minutes.mass) + 1 for task in of_class for risk in task.with_cost]
        minutes = 1 + sum(len(task.fixed.mass) for task in of_class) + sum(risks)
        widest = max(widest, minutes * max(len(risks), 1) * max(risks, default=1))
        points *= minutes * (len(risks) + 1)
    return max(points, widest) <= most_points


def _pieces(workload: Workload, labour_class: LabourClass, step: int, grid: int) -> Iterator[WorkCost]:
    """The independent parts of one labour class; ``step`` is what ``grid`` minutes of it cost."""
    if labour_class in workload.fixed:
        minutes = coarser(workload.fixed[labour_class], grid)
        yield _merged(minutes.values * min(step, 1), minutes.mass, 1, step, grid)
    for risk in workload.with_cost:
        if risk.labour_class == labour_class:
            yield _branch(risk, coarser(risk.minutes, grid), step, grid)


def _branch(risk: CostRisk, minutes: MinuteDistribution, step: int, grid: int) -> WorkCost:
    """Either nothing, or the minutes of a contingency and one exchange."""
    places = np.append(minutes.values * min(step, 1) * 2 + 1, 0)
    return _merged(places, np.append(minutes.mass * risk.chance, 1 - risk.chance), 2, step, grid)


def _nothing(grid: int) -> WorkCost:
    none = np.zeros(1, dtype=np.int64)
    return WorkCost(none, none, np.ones(1), 0, grid)


def _merged(places: NDArray[np.int64], mass: NDArray[np.float64], columns: int, step: int, grid: int) -> WorkCost:
    """Each place once, in ascending order, and without the impossible.

    Places that lie close are counted on a row of all there are; for those far apart that would be long.
    """
    if int(places.max()) < _ROW_TO_POINTS * len(places):
        row = np.bincount(places, mass).astype(np.float64, copy=False)
        found = np.flatnonzero(row)
        merged = row[found]
    else:
        possible = mass > 0
        found, place = np.unique(places[possible], return_inverse=True)
        merged = np.bincount(place, mass[possible]).astype(np.float64, copy=False)
    return WorkCost(found // columns * step, found % columns, merged, step, grid)
