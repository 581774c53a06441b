"""The ceiling and the deposit, by hand."""

from typing import Any

import msgspec
import numpy as np
import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.labour.minutes import MinuteDistribution
from cotterline.bench.labour.workload import Workload
from cotterline.bench.pricing.ceiling import Ceiling, ceiling_of, deposit_on
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.sourcing import Basket
from cotterline.bench.pricing.total_cost import Prices
from cotterline.bench.pricing.work_cost import work_cost
from tests.bench.formulas import check_steps
from tests.bench.pricing_cases import rules

# 100 to 109 minutes, each with chance 1/10, at 60 an hour: 100 to 109.
TEN = Workload(fixed={"bench": MinuteDistribution(100, np.full(10, 0.1))})


def held(currency: str = "EUR", **pricing: Any) -> PricingInForce:  # noqa: ANN401 - any part of a pricing
    return rules(currency, labour_rates={"bench": "60"}, **pricing)


def ceiling(found: PricingInForce, trace: Trace | None = None) -> Ceiling:
    return ceiling_of(Prices(found).total_of(work_cost(TEN, found.rated), Basket()), found, trace or Trace())


@pytest.mark.parametrize(
    ("quantile", "step", "amount", "suffices"),
    [
        (0.9, "5", "110.00", 1.0),
        (0.9, "0", "108.00", 0.9),
        (0.9, "0.50", "108.00", 0.9),
        (0.9, "36", "108.00", 0.9),
        (0.5, "1", "104.00", 0.5),
        (0.51, "1", "105.00", 0.6),
        (0.6, "3", "105.00", 0.6),
        (0.6, "100", "200.00", 1.0),
    ],
)
def test_a_quantile_is_rounded_up_to_a_multiple(quantile: float, step: str, amount: str, suffices: float) -> None:
    found = ceiling(held(ceiling={"quantile": quantile, "round_up_to": step}))
    assert (found.amount.amount, found.quantile) == (amount, quantile)
    assert found.suffices == pytest.approx(suffices)


def test_the_rule_is_said_in_words() -> None:
    assert ceiling(held()).rule == "Enough with probability 0.9: 108.00, rounded up to a multiple of 5."
    assert "smallest coin" in ceiling(held(ceiling={"round_up_to": "0"})).rule


# 20 % of 110.00 is 22.00; 12.345 % is 13.5795; in yen 12.5 % of 110 is 13.75; 5 % is 5.5.
@pytest.mark.parametrize(
    ("currency", "percent", "mode", "amount"),
    [
        ("EUR", "20", "half_even", "22.00"),
        ("EUR", "12.345", "half_even", "13.58"),
        ("JPY", "12.5", "half_even", "14"),
        ("JPY", "5", "half_even", "6"),
        ("JPY", "15", "half_even", "16"),
        ("JPY", "15", "half_up", "17"),
        ("KWD", "12.345", "half_even", "13.580"),
    ],
)
def test_the_deposit_is_a_share_of_the_ceiling(currency: str, percent: str, mode: str, amount: str) -> None:
    found = held(currency, deposit_percent=percent, rounding={"mode": mode})
    deposit = deposit_on(ceiling(found), found, Trace())
    assert deposit is not msgspec.UNSET
    assert deposit.amount == amount


def test_without_a_ceiling_or_a_share_there_is_no_deposit() -> None:
    found = held(deposit_percent="20")
    assert deposit_on(msgspec.UNSET, found, Trace()) is msgspec.UNSET
    assert deposit_on(ceiling(found), held(), Trace()) is msgspec.UNSET


def test_ceiling_and_deposit_are_recorded() -> None:
    trace = Trace()
    found = held(deposit_percent="20", ceiling={"round_up_to": "0.70"})
    deposit_on(ceiling(found, trace), found, trace)
    assert [step.value for step in check_steps(trace.steps)] == [10850, 2170]
