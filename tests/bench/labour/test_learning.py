"""What a shop's own times say: the conjugate update against its closed form and against integrating on a grid."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook
from cotterline.bench.labour.learning import LabourTime, Learning, learn, scaled
from tests.bench.formulas import check_steps
from tests.bench.labour.books import lasting, operation

BOOK = LabourBook(operations={"wash": operation(5, 10, 15), "wax": operation(20, 20, 20), "look": operation(0, 0, 0)})


def learned(*minutes: float, of: str = "wash") -> Learning:
    trace = Trace()
    times = [LabourTime(operation=of, minutes=each) for each in minutes]
    result = learn(BOOK, times, trace)[of]
    if minutes and result.book_mean:
        check_steps(trace.steps)
    return result


def test_nothing_recorded_leaves_the_book_as_it_is() -> None:
    nothing = learned()
    assert (nothing.factor, nothing.count, nothing.posterior_sd) == (1, 0, nothing.prior_sd)
    assert learn(DEFAULT_BOOK, [], Trace()).keys() == DEFAULT_BOOK.operations.keys()


def test_one_time_twice_the_book_worked_by_hand() -> None:
    """Prior 1/0.3**2 = 11.111 parts at 0, one job 1/0.35**2 = 8.163 parts at log 2 = 0.6931: mean 0.293568."""
    one = learned(20)
    assert (one.prior_sd, one.job_sd) == (0.3, 0.35)
    assert one.evidence_mean == pytest.approx(0.693147, abs=1e-6)
    assert one.posterior_mean == pytest.approx(8.163265 * 0.693147 / 19.274376, abs=1e-6)
    assert one.posterior_sd == pytest.approx(1 / math.sqrt(19.274376), abs=1e-6)
    assert one.factor == pytest.approx(1.341204, abs=1e-6)


@given(st.lists(st.floats(5, 25), min_size=1, max_size=12))
def test_the_update_is_that_of_integrating_prior_times_likelihood(minutes: list[float]) -> None:
    result = learned(*minutes)
    grid = np.linspace(-3, 3, 60_001)
    log_density = stats.norm(0, result.prior_sd).logpdf(grid)
    for each in minutes:
        log_density += stats.norm(grid, result.job_sd).logpdf(math.log(each / result.book_mean))
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    mean = float(grid @ density)
    assert result.posterior_mean == pytest.approx(mean, abs=1e-7)
    assert result.posterior_sd == pytest.approx(math.sqrt(float((grid - mean) ** 2 @ density)), abs=1e-7)
    assert result.factor == pytest.approx(math.exp(mean), abs=1e-6)


def test_more_times_are_believed_more_and_spread_less() -> None:
    few, many = learned(*[15] * 3), learned(*[15] * 300)
    assert 1 < few.factor < many.factor < 1.5
    assert many.posterior_sd < few.posterior_sd < few.prior_sd
    assert many.factor == pytest.approx(1.5, abs=0.01)


def test_times_of_one_operation_say_nothing_about_another() -> None:
    times = [LabourTime(operation="wash", minutes=30), LabourTime(operation="gone", minutes=1)]
    everything = learn(BOOK, times, Trace())
    assert everything.keys() == BOOK.operations.keys()
    assert (everything["wax"].factor, everything["wax"].count) == (1, 0)


def test_a_factor_is_held_to_four_and_says_so() -> None:
    slow, fast = learned(*[2000] * 50), learned(*[0.1] * 50)
    assert (slow.factor, slow.limited) == (4, True)
    assert (fast.factor, fast.limited) == (0.25, True)
    assert not learned(20).limited


def test_a_row_of_no_minutes_learns_nothing() -> None:
    assert learned(5, of="look").factor == 1


def test_a_factor_scales_all_three_minutes_and_stays_within_what_a_book_may_say() -> None:
    assert scaled(lasting(5, 10, 15), 1.5) == lasting(7.5, 15, 22.5)
    assert scaled(lasting(5, 1000, 1800), 4) == lasting(20, 2000, 2000)
