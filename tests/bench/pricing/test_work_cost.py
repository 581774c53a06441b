"""The cost of work is exact: held against enumeration, scipy, and itself on coarser grids."""

from fractions import Fraction
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.minutes import MinuteDistribution, exactly, triangular
from cotterline.bench.labour.workload import CostRisk, Workload
from cotterline.bench.pricing.work_cost import MOST_RISKS, WorkCost, coarser, work_cost
from tests.bench.pricing.job_enumeration import outcomes

CLASSES: tuple[LabourClass, ...] = get_args(LabourClass)


def risk(chance: float, minutes: MinuteDistribution, labour_class: LabourClass = "bench") -> CostRisk:
    return CostRisk(chance=chance, minutes=minutes, labour_class=labour_class, cost="exchange", contingency="miss")


def chances(cost: WorkCost) -> dict[tuple[int, int], float]:
    pairs = zip(cost.labour.tolist(), cost.exchanges.tolist(), strict=True)
    found = dict(zip(pairs, cost.mass.tolist(), strict=True))
    assert len(found) == len(cost.mass), "a pair is there twice"
    return found


@st.composite
def spreads(draw: st.DrawFn) -> MinuteDistribution:
    low, likely, high = sorted(draw(st.tuples(*[st.floats(0, 3)] * 3)))
    return triangular(low, likely, high)


RATES = st.dictionaries(st.sampled_from(CLASSES), st.integers(0, 9000).map(Fraction))
SMALL_JOBS = st.builds(
    Workload,
    fixed=st.dictionaries(st.sampled_from(CLASSES), spreads(), max_size=2),
    with_cost=st.lists(
        st.builds(risk, st.floats(0, 1), spreads(), st.sampled_from(CLASSES)),
        max_size=2,
    ).map(tuple),
)


@given(SMALL_JOBS, RATES)
def test_every_sum_has_the_probability_that_enumeration_gives_it(
    load: Workload, rates: dict[LabourClass, Fraction]
) -> None:
    expected: dict[tuple[int, int], float] = {}
    for outcome in outcomes(load):
        pair = int(outcome.labour(rates) * 60), outcome.exchanges
        expected[pair] = expected.get(pair, 0.0) + float(outcome.chance)
    found = chances(work_cost(load, rates))
    assert all(found.get(pair, 0.0) == pytest.approx(chance, abs=1e-12) for pair, chance in expected.items())
    assert found.keys() <= expected.keys()


@pytest.mark.parametrize(("count", "chance"), [(1, 0.3), (7, 0.25), (8, 0.9)])
def test_exchanges_of_equal_contingencies_are_binomial(count: int, chance: float) -> None:
    """Against scipy.stats.binom."""
    cost = work_cost(Workload(fixed={}, with_cost=(risk(chance, exactly(0)),) * count), {})
    assert chances(cost) == pytest.approx(
        {(0, happened): float(stats.binom.pmf(happened, count, chance)) for happened in range(count + 1)}, abs=1e-12
    )


def test_minutes_of_two_classes_at_one_rate_cost_what_they_would_in_one() -> None:
    """Sums of binomials of equal chance are binomial: scipy.stats.binom."""
    thirty, twelve = (MinuteDistribution(0, stats.binom.pmf(np.arange(size + 1), size, 0.4)) for size in (30, 12))
    cost = work_cost(
        Workload(fixed={"bench": thirty, "frame": twelve}), {"bench": Fraction(6000), "frame": Fraction(6000)}
    )
    assert (cost.labour == 6000 * np.arange(43)).all()
    assert cost.mass == pytest.approx(stats.binom.pmf(np.arange(43), 42, 0.4), abs=1e-12)


def test_amounts_that_only_floating_point_tells_apart_are_one() -> None:
    """A third of an hour at 0.10 and two thirds at 0.05 are the same 2 of 60 parts: as fractions, not as floats."""
    load = Workload(fixed={"bench": MinuteDistribution(0, np.array([0.5, 0.5])), "frame": exactly(0)})
    other = Workload(fixed={"bench": exactly(0), "frame": MinuteDistribution(0, np.array([0.5, 0, 0.5]))})
    rates: dict[LabourClass, Fraction] = {"bench": Fraction(10), "frame": Fraction(5)}
    assert chances(work_cost(load, rates)) == chances(work_cost(other, rates)) == {(0, 0): 0.5, (10, 0): 0.5}


@given(spreads(), st.integers(1, 9))
def test_a_coarser_grid_keeps_the_mean(spread: MinuteDistribution, grid: int) -> None:
    laid = coarser(spread, grid)
    assert laid.mass.sum() == pytest.approx(1)
    assert laid.mean * grid == pytest.approx(spread.mean, abs=1e-9)


def test_a_job_too_wide_for_the_grid_is_laid_on_a_coarser_one_and_says_so() -> None:
    load = Workload(
        fixed={name: triangular(0, 10, 30) for name in CLASSES},
        with_cost=(risk(0.2, triangular(1, 2, 3), "frame"),),
    )
    rates: dict[LabourClass, Fraction] = dict(zip(CLASSES, map(Fraction, (6101, 7207, 8311)), strict=True))
    fine, coarse = work_cost(load, rates), work_cost(load, rates, most_points=10_000)
    assert fine.grid_minutes == 1
    assert coarse.grid_minutes > 1
    assert len(coarse.mass) <= 10_000
    assert coarse.labour @ coarse.mass == pytest.approx(fine.labour @ fine.mass, rel=1e-9)
    assert coarse.exchanges @ coarse.mass == pytest.approx(0.2)


def test_work_without_minutes_costs_nothing_for_certain() -> None:
    assert chances(work_cost(Workload(fixed={}), {"bench": Fraction(6000)})) == {(0, 0): 1.0}


def test_more_branches_than_can_be_counted_are_refused() -> None:
    risks = (risk(0.2, triangular(1, 2, 3)),) * (MOST_RISKS + 1)
    with pytest.raises(CotterlineError) as refusal:
        work_cost(Workload(fixed={}, with_cost=risks), {})
    assert refusal.value.code == "impossible-value"


def test_the_widest_job_and_the_dearest_hour_still_fit() -> None:
    """A book comes to 10,000 minutes at most; a rate has eight digits before the point and a currency four after it."""
    load = Workload(
        fixed={name: triangular(0, 1000, 3000) for name in CLASSES},
        with_cost=tuple(risk(0.2, triangular(0, 50, 120), name) for name in (*CLASSES, *CLASSES, "bench", "frame")),
    )
    rates: dict[LabourClass, Fraction] = dict(
        zip(CLASSES, map(Fraction, (999_999_999_999, 999_999_999_989, 999_999_999_961)), strict=True)
    )
    cost = work_cost(load, rates)
    assert cost.mass.sum() == pytest.approx(1)
    expected = float(sum(rates[name] * Fraction(spread.mean) for name, spread in load.fixed.items()))
    expected += float(sum(rates[item.labour_class] * Fraction(0.2 * item.minutes.mean) for item in load.with_cost))
    assert float(cost.labour.astype(float) @ cost.mass) == pytest.approx(expected)
