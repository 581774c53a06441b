"""The workload as pricing sees it."""

import numpy as np
import pytest

from cotterline.bench.labour.minutes import MinuteDistribution, exactly
from cotterline.bench.labour.workload import CostRisk, Workload


def test_the_minutes_of_all_classes_and_of_what_costs_more_add_up() -> None:
    """Bench 10 or 12, cutting 5, and with 0.25 another 20: each of the four cases by hand."""
    load = Workload(
        fixed={"bench": MinuteDistribution(10, np.array([0.5, 0.0, 0.5])), "cutting": exactly(5)},
        with_cost=(CostRisk(chance=0.25, minutes=exactly(20), labour_class="bench", cost="exchange"),),
    )
    whole = load.minutes
    found = {m: p for m, p in zip(whole.values.tolist(), whole.mass.tolist(), strict=True) if p}
    assert found == {15: 0.375, 17: 0.375, 35: 0.125, 37: 0.125}
    assert whole.mean == pytest.approx(21)


def test_no_work_is_no_minutes() -> None:
    assert Workload(fixed={}).minutes.mean == 0
