"""Several measurements of one chain line: their weighted mean, and whether they can all be true."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2
from uncertainties import ufloat

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.chain_line import LEAST_SD, chance_beyond, measured
from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.quantity import Reading
from tests.bench.formulas import check_steps

SPREADS = st.floats(0.1, 3)


def read(value: float, plus_minus: float = 1.0) -> MeasuredChainLine:
    return MeasuredChainLine(chain_line=Reading(value=value, plus_minus=plus_minus))


@given(st.floats(0, 60), st.sampled_from((1, 2, 3)))
def test_the_tail_of_chi_square_is_scipys(value: float, freedom: int) -> None:
    assert chance_beyond(value, freedom) == pytest.approx(float(chi2.sf(value, freedom)), rel=1e-9, abs=1e-15)


def test_chi_square_of_more_measurements_than_a_report_takes_is_not_made_up() -> None:
    with pytest.raises(ValueError, match="4 degrees"):
        chance_beyond(1.0, 4)


@given(st.lists(st.tuples(st.floats(42.9, 43.1), SPREADS), min_size=2, max_size=4))
def test_the_weighted_mean_is_numpys_and_its_error_that_of_the_uncertainties_package(
    readings: list[tuple[float, float]],
) -> None:
    """Weights inverse to the variances: M. G. Cox, Metrologia 39, 2002, procedure A."""
    # Readings this close never contradict each other unless they are far better than 0.1 mm.
    spreads = np.array([max(plus_minus, 0.5) for _, plus_minus in readings]) / 2
    lines = [read(value, 2 * sd) for (value, _), sd in zip(readings, spreads, strict=True)]
    trace = Trace()
    found = measured(lines, trace)
    check_steps(trace.steps)
    values = np.array([value for value, _ in readings])
    assert found.value == pytest.approx(np.average(values, weights=spreads**-2), rel=1e-12)
    independent = [ufloat(value, sd) for value, sd in zip(values, spreads, strict=True)]
    mean = sum(each / each.s**2 for each in independent) / sum(1 / each.s**2 for each in independent)
    assert found.sd == pytest.approx(mean.s, rel=1e-12)


@given(st.lists(st.tuples(st.floats(42, 44), SPREADS), min_size=2, max_size=4))
def test_measurements_are_refused_just_where_scipy_says_chance_seldom_sets_them_so_far_apart(
    readings: list[tuple[float, float]],
) -> None:
    values = np.array([value for value, _ in readings])
    spreads = np.array([plus_minus for _, plus_minus in readings]) / 2
    mean = np.average(values, weights=spreads**-2)
    tail = chi2.sf(np.sum(((values - mean) / spreads) ** 2), len(values) - 1)
    lines = [read(value, plus_minus) for value, plus_minus in readings]
    if tail > PRACTICE.contradiction.level + 1e-9:
        measured(lines, Trace(wanted=False))
    elif tail < PRACTICE.contradiction.level - 1e-9:
        with pytest.raises(CotterlineError):
            measured(lines, Trace(wanted=False))


@pytest.mark.parametrize("measurements", [2, 3, 4])
@pytest.mark.parametrize(("short_of_it", "contradict"), [(0.99, False), (1.01, True)])
def test_the_border_is_the_95th_percentile_of_chi_square(
    measurements: int, short_of_it: float, *, contradict: bool
) -> None:
    """Pr(chi-square beyond what was observed) < 0.05: M. G. Cox, Metrologia 39, 2002, procedure A.

    One above and one below, the others in the middle, each good to 1 mm: chi-square is 8 times the distance squared.
    """
    apart = short_of_it * float(chi2.ppf(0.95, measurements - 1) / 8) ** 0.5
    lines = [read(43 - apart), read(43 + apart), *[read(43)] * (measurements - 2)]
    if contradict:
        with pytest.raises(CotterlineError):
            measured(lines, Trace())
    else:
        assert measured(lines, Trace()).value == pytest.approx(43)


def test_a_contradiction_names_every_measurement_with_its_value() -> None:
    with pytest.raises(CotterlineError) as refused:
        measured([read(43), read(43.2), read(46)], Trace(), "/chain_lines")
    assert refused.value.code == "evidence-conflict"
    assert [(fault.pointer, fault.detail) for fault in refused.value.faults] == [
        ("/chain_lines/0", "gives 43 mm, plus-minus 1 mm"),
        ("/chain_lines/1", "gives 43.2 mm, plus-minus 1 mm"),
        ("/chain_lines/2", "gives 46 mm, plus-minus 1 mm"),
    ]


def test_the_better_measurement_pulls_harder_and_two_are_better_than_one() -> None:
    one, better = read(43, 1), read(43.5, 0.5)
    both = measured([one, better], Trace())
    assert both.value == pytest.approx(43.4)
    assert both.sd < measured([better], Trace()).sd


@given(st.lists(st.tuples(st.floats(42.5, 43.5), st.floats(1, 3)), min_size=2, max_size=4))
def test_the_order_of_the_measurements_changes_nothing(readings: list[tuple[float, float]]) -> None:
    found = {
        (line.value, line.sd)
        for each in permutations([read(*reading) for reading in readings])
        for line in [measured(each, Trace(wanted=False))]
    }
    assert len({value for value, _ in found}) == 1
    assert max(sd for _, sd in found) == pytest.approx(min(sd for _, sd in found), rel=1e-12)


@pytest.mark.parametrize("claimed", [5e-324, 1e-200, 1e-9])
def test_no_reading_is_taken_for_better_than_lengths_are_stated(claimed: float) -> None:
    trace = Trace()
    found = measured([read(43, claimed), read(43, 1)], trace)
    check_steps(trace.steps)
    assert found.sd == pytest.approx(LEAST_SD, rel=1e-5)
