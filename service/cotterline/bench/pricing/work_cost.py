"""What work costs, as an exact distribution: hours at their rates, and exchanges that cost more than time.

Minutes of each labour class times its hourly rate are whole numbers of sixtieths of a minor unit, so amounts are kept
as integers and equal amounts are merged without rounding. Independent sums are outer sums; a contingency with a cost of
its own is a branch that also counts an exchange. Nothing is sampled.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, get_args

import numpy as np
from numpy.typing import NDArray

from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.minutes import MinuteDistribution
from cotterline.bench.labour.workload import CostRisk, Workload

PARTS_OF_A_MINOR_UNIT: Final = 60
"""A minute at an hourly rate of whole minor units is a whole number of sixtieths of one."""

MOST_POINTS: Final = 250_000
"""Most points of an outer sum; a wider one is laid on a coarser grid of minutes first."""

MOST_RISKS: Final = 8
"""Most contingencies of one job with a cost of their own; each doubles the branches there are."""


@dataclass(frozen=True, slots=True, eq=False)
class WorkCost:
    """How probable each sum for labour together with each number of exchanges is.

    Attributes:
        labour: in sixtieths of a minor unit, at plain rates.
        exchanges: how often a spindle is sent back.
        mass: the probability of each pair; they add up to 1.
        grid_minutes: the grid the minutes were laid on; 1 unless a book is too wide for it.
    """

    labour: NDArray[np.int64]
    exchanges: NDArray[np.int64]
    mass: NDArray[np.float64]
    grid_minutes: int = 1

    def __add__(self, other: "WorkCost") -> "WorkCost":
        return _merged(
            np.add.outer(self.labour, other.labour).ravel(),
            np.add.outer(self.exchanges, other.exchanges).ravel(),
            np.outer(self.mass, other.mass).ravel(),
            self.grid_minutes,
        )


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
    total: WorkCost | None = _nothing(grid)
    for labour_class in get_args(LabourClass):
        for_class: WorkCost | None = _nothing(grid)
        for piece in _pieces(workload, labour_class, int(rates.get(labour_class, 0)) * grid, grid):
            for_class = _sum(for_class, piece, most_points)
        total = _sum(total, for_class, most_points)
    return total


def _sum(one: WorkCost | None, other: WorkCost | None, most_points: int) -> WorkCost | None:
    if one is None or other is None or len(one.mass) * len(other.mass) > most_points:
        return None
    return one + other


def _pieces(workload: Workload, labour_class: LabourClass, step: int, grid: int) -> Iterator[WorkCost]:
    """The independent parts of one labour class; ``step`` is what ``grid`` minutes of it cost."""
    if labour_class in workload.fixed:
        minutes = coarser(workload.fixed[labour_class], grid)
        yield _merged(minutes.values * step, np.zeros_like(minutes.values), minutes.mass, grid)
    for risk in workload.with_cost:
        if risk.labour_class == labour_class:
            yield _branch(risk, coarser(risk.minutes, grid), step, grid)


def _branch(risk: CostRisk, minutes: MinuteDistribution, step: int, grid: int) -> WorkCost:
    """Either nothing, or the minutes of a contingency and one exchange."""
    return _merged(
        np.append(minutes.values * step, 0),
        np.append(np.ones_like(minutes.values), 0),
        np.append(minutes.mass * risk.chance, 1 - risk.chance),
        grid,
    )


def _nothing(grid: int) -> WorkCost:
    none = np.zeros(1, dtype=np.int64)
    return WorkCost(none, none, np.ones(1), grid)


def _merged(labour: NDArray[np.int64], exchanges: NDArray[np.int64], mass: NDArray[np.float64], grid: int) -> WorkCost:
    """The same distribution with each pair once, in ascending order, and without the impossible."""
    possible = mass > 0
    columns = int(exchanges.max()) + 1
    pairs, place = np.unique(labour[possible] * columns + exchanges[possible], return_inverse=True)
    merged = np.bincount(place, mass[possible]).astype(np.float64, copy=False)
    return WorkCost(pairs // columns, pairs % columns, merged, grid)
