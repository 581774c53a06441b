"""What the spread of the money comes from: shares of a variance that enumeration gives as well."""

from fractions import Fraction

import pytest

from cotterline.bench.labour.minutes import MinuteDistribution, exactly, triangular
from cotterline.bench.labour.workload import Spread, Workload
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.money_drivers import money_drivers
from cotterline.bench.pricing.sourcing import Basket
from cotterline.bench.pricing.total_cost import Prices, terms
from cotterline.bench.pricing.work_cost import work_cost
from tests.bench.pricing.test_work_cost import risk
from tests.bench.pricing_cases import FULL_AND_LOW, rules

BENCH, CUTTING, MISS = triangular(2, 5, 11), triangular(1, 2, 9), triangular(3, 4, 8)
CHANCE = 0.3


def held() -> PricingInForce:
    return rules(
        tax={"prices": "added", "rates": FULL_AND_LOW},
        labour_rates={"bench": "60.00", "cutting": "90.00"},
        discounts=[{"name": "Club", "percent": "10", "on": "labour"}],
        shipping="5.00",
        return_shipping="4.00",
        tax_by_kind={"labour": "full", "shipping": "low"},
    )


def operation(name: str, spread: MinuteDistribution) -> Spread:
    labour_class = "bench" if name == "bench" else "cutting"
    return Spread(kind="operation", id=name, name=name, labour_class=labour_class, variance=spread.variance)  # type: ignore[arg-type] # one of the two


def job() -> Workload:
    miss = MISS.if_it_happens(CHANCE).variance
    return Workload(
        fixed={"bench": BENCH, "cutting": CUTTING},
        with_cost=(risk(CHANCE, MISS),),
        spreads=(
            operation("bench", BENCH),
            operation("cutting", CUTTING),
            Spread(kind="contingency", id="miss", name="miss", labour_class="bench", variance=miss),
        ),
    )


def variance(load: Workload) -> float:
    """Of the total in square minor units, from the exact distribution."""
    cost = Prices(held()).total_of(work_cost(load, held().rated), Basket())
    mean = float(cost.totals @ cost.mass)
    return float(((cost.totals - mean) ** 2) @ cost.mass)


def test_each_share_is_what_its_part_alone_adds_to_the_variance_of_the_money() -> None:
    alone = {
        "bench": variance(Workload(fixed={"bench": BENCH})),
        "cutting": variance(Workload(fixed={"cutting": CUTTING})),
        "miss": variance(Workload(fixed={}, with_cost=(risk(CHANCE, MISS),))),
    }
    assert sum(alone.values()) == pytest.approx(variance(job()))
    found = money_drivers(job(), terms(Basket(), held()), held())
    assert {driver.id: driver.share for driver in found} == pytest.approx(
        {name: part / sum(alone.values()) for name, part in alone.items()}, abs=1e-6
    )
    assert [driver.share for driver in found] == sorted((driver.share for driver in found), reverse=True)


def test_what_adds_nothing_is_left_out() -> None:
    load = Workload(fixed={"bench": exactly(5)}, spreads=(operation("bench", exactly(5)),))
    assert money_drivers(load, terms(Basket(), held()), held()) == ()
    assert held().rated["bench"] == Fraction(6000)
