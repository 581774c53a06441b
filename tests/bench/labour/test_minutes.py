"""Minutes on the grid, against scipy and against adding up every combination."""

from collections import defaultdict
from fractions import Fraction
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from cotterline.bench.labour.book import Minutes
from cotterline.bench.labour.minutes import MinuteDistribution, exactly, total, triangular
from tests.bench.labour.books import random_minutes

SHAPES = [(5, 10, 20), (3.2, 3.2, 9.7), (0, 4.5, 4.5), (2.25, 2.75, 2.9), (0.5, 17.3, 44)]


def reference(low: float, likely: float, high: float) -> stats.rv_continuous:
    """The continuous distribution, by scipy."""
    return stats.triang((likely - low) / (high - low), low, high - low)


def masses(distribution: MinuteDistribution) -> dict[int, float]:
    return dict(zip(distribution.values.tolist(), distribution.mass.tolist(), strict=True))


@st.composite
def on_the_grid(draw: st.DrawFn) -> MinuteDistribution:
    weights = np.array(draw(st.lists(st.floats(0.001, 1), min_size=1, max_size=6)))
    return MinuteDistribution(draw(st.integers(0, 5)), weights / weights.sum())


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_each_minute_has_the_integral_of_the_density_times_its_hat(low: float, likely: float, high: float) -> None:
    density = reference(low, likely, high).pdf
    for minute, mass in masses(triangular(low, likely, high)).items():
        corners = sorted(
            {max(low, minute - 1), min(high, minute + 1), *(c for c in (likely, minute) if low < c < high)}
        )
        inside = [corner for corner in corners if minute - 1 <= corner <= minute + 1]
        hat = sum(
            integrate.quad(lambda x, at=minute: density(x) * (1 - abs(x - at)), left, right)[0]
            for left, right in pairwise(inside)
        )
        assert mass == pytest.approx(hat, abs=1e-9)


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_the_grid_keeps_the_mean_and_adds_at_most_a_quarter_to_the_variance(
    low: float, likely: float, high: float
) -> None:
    grid, continuous = triangular(low, likely, high), reference(low, likely, high)
    assert grid.mean == pytest.approx(continuous.mean(), rel=1e-12)
    assert continuous.var() <= grid.variance <= continuous.var() + 0.25


@pytest.mark.parametrize(("low", "likely", "high"), SHAPES)
def test_the_grid_is_never_more_than_a_minute_from_the_continuous_distribution(
    low: float, likely: float, high: float
) -> None:
    grid, continuous = triangular(low, likely, high), reference(low, likely, high)
    for minute in range(50):
        assert continuous.cdf(minute) - 1e-12 <= grid.cdf(minute) <= continuous.cdf(minute + 1) + 1e-12


@given(random_minutes(2000))
def test_every_triangle_has_its_mean_and_a_total_of_one(minutes: Minutes) -> None:
    grid = triangular(minutes.low, minutes.likely, minutes.high)
    assert grid.mass.sum() == pytest.approx(1, abs=1e-12)
    assert grid.mean == pytest.approx(minutes.mean, abs=1e-6)
    assert (grid.mass >= 0).all()


def test_a_time_that_is_certain_is_shared_between_the_minutes_beside_it() -> None:
    assert masses(triangular(7, 7, 7)) == {7: 1.0}
    assert masses(triangular(7.25, 7.25, 7.25)) == pytest.approx({7: 0.75, 8: 0.25})


def test_a_whole_triangle_by_hand() -> None:
    """Low 0, likely 1, high 2: half of 0..1 weighs 1/6 towards 0, so 1/6, 2/3, 1/6."""
    assert masses(triangular(0, 1, 2)) == pytest.approx({0: 1 / 6, 1: 2 / 3, 2: 1 / 6})


@given(st.lists(on_the_grid(), min_size=1, max_size=4))
def test_a_sum_is_every_combination_added_up(parts: list[MinuteDistribution]) -> None:
    counted: dict[int, float] = defaultdict(float)
    for combination in product(*(masses(part).items() for part in parts)):
        counted[sum(minutes for minutes, _ in combination)] += float(np.prod([mass for _, mass in combination]))
    assert masses(total(parts)) == pytest.approx(counted, abs=1e-12)


def test_many_times_the_same_is_its_sum_with_itself() -> None:
    once = triangular(2, 3, 7)
    assert once.repeated(3).mass == pytest.approx((once + once + once).mass)
    assert once.repeated(3).mean == pytest.approx(12)


def test_what_may_happen_counts_with_its_chance_and_otherwise_takes_nothing() -> None:
    """Two minutes with 0.3, three with 0.2, none with 0.5."""
    maybe = MinuteDistribution(2, np.array([0.6, 0.4])).if_it_happens(0.5)
    assert masses(maybe) == pytest.approx({0: 0.5, 1: 0.0, 2: 0.3, 3: 0.2})


def test_what_takes_no_time_when_it_happens_still_adds_up_to_one() -> None:
    assert masses(MinuteDistribution(0, np.array([0.5, 0.5])).if_it_happens(0.4)) == pytest.approx({0: 0.8, 1: 0.2})


@given(on_the_grid(), st.floats(0.01, 0.99))
def test_a_quantile_is_the_smallest_minute_that_suffices(distribution: MinuteDistribution, share: float) -> None:
    minute = distribution.quantile(share)
    assert distribution.cdf(minute) >= share - 1e-9
    assert distribution.cdf(minute - 1) < share


def test_ten_equal_minutes_have_their_ninth_as_the_nine_tenths_quantile() -> None:
    """Ten tenths add up to less than one in binary; the ninth must not be missed for that."""
    equal = MinuteDistribution(1, np.full(10, 0.1))
    assert [equal.quantile(share) for share in (0.1, 0.3, 0.5, 0.9, 1.0)] == [1, 3, 5, 9, 10]


def test_the_spread_of_a_sum_is_that_of_a_binomial_when_each_part_is_a_coin() -> None:
    coins = total([exactly(1).if_it_happens(0.3)] * 20)
    assert coins.mass == pytest.approx(stats.binom(20, 0.3).pmf(range(21)), abs=1e-12)
    assert coins.sd == pytest.approx(stats.binom(20, 0.3).std())
    assert coins.quantile(0.9) == stats.binom(20, 0.3).ppf(0.9)


def test_no_work_takes_no_time() -> None:
    assert masses(total([])) == {0: 1.0}


def test_thirds_add_up_to_the_exact_fraction() -> None:
    """Two dice: 1/36 for twelve, 6/36 for seven."""
    die = MinuteDistribution(1, np.full(6, 1 / 6))
    assert masses(die + die)[7] == pytest.approx(float(Fraction(6, 36)))
    assert masses(die + die)[12] == pytest.approx(float(Fraction(1, 36)))
