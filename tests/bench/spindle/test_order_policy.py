"""The order policy against brute force: every error drawn on a fine grid, every order paid for one by one."""

from decimal import Decimal
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from cotterline.bench.derivation import Trace
from cotterline.bench.money import MINOR_DECIMALS, Money
from cotterline.bench.spindle.order_policy import (
    Candidate,
    Landing,
    OrderAdvice,
    OrderCosts,
    advise,
    better_second,
    chance_one_fits,
    check_costs,
)
from tests.bench.formulas import check_steps

RESIDUALS = st.floats(-6, 6)
LANDINGS = st.builds(Landing, st.floats(0.25, 5), st.floats(0.2, 4))
USUAL = Landing(1.5, 1.0)
FIRST, SECOND = Candidate(113, 0.2), Candidate(115, 1.2)


def costs(currency: str = "EUR", **fields: Any) -> OrderCosts:  # noqa: ANN401 - a price or a number of days
    prices = {name: Money(amount=value, currency=currency) for name, value in fields.items() if isinstance(value, str)}
    return OrderCosts(**{**fields, **prices})


def advice(given_costs: OrderCosts | msgspec.UnsetType, landing: Landing = USUAL) -> OrderAdvice:
    trace = Trace()
    outcome = advise(FIRST, SECOND, landing, given_costs, trace)
    check_steps(trace.steps)
    return outcome


def by_brute_force(candidates: list[Candidate], landing: Landing, prices: dict[str, float]) -> tuple[float, float]:
    """Mean cost and days, walking through every error of the prediction in steps of a ten-thousandth of its sd."""
    errors = np.linspace(-9 * landing.sd, 9 * landing.sd, 180_001)
    weights = norm.pdf(errors, scale=landing.sd)
    weights /= weights.sum()
    fits = np.zeros_like(errors, dtype=bool)
    for item in candidates:
        fits |= np.abs(item.residual + errors) <= landing.tolerance
    days = np.where(fits, prices["lead"], 2 * prices["lead"])
    bought = len(candidates) + np.where(fits, 0, 1)
    orders = np.where(fits, 1, 2)
    refunded = bought - 1
    paid = bought * prices["unit"] + orders * prices["shipping"] - refunded * prices["unit"] + refunded * prices["back"]
    return float(((paid + days * prices["day"]) * weights).sum()), float((days * weights).sum())


@settings(deadline=None, max_examples=40)  # the grid takes its time
@given(RESIDUALS, RESIDUALS, LANDINGS, st.lists(st.integers(0, 20_000), min_size=4, max_size=4), st.integers(0, 30))
def test_expected_cost_and_days_agree_with_brute_force(
    one: float, two: float, landing: Landing, cents: list[int], lead: int
) -> None:
    names = ("unit_price", "shipping", "return_cost", "day_cost")
    amounts = [Decimal(item) / 100 for item in cents]
    stated = costs(lead_days=lead, **{name: f"{amount:.2f}" for name, amount in zip(names, amounts, strict=True)})
    candidates = [Candidate(113, one), Candidate(115, two)]
    numbers = dict(zip(("unit", "shipping", "back", "day"), map(float, amounts), strict=True)) | {"lead": float(lead)}
    outcome = advise(candidates[0], candidates[1], landing, stated, Trace())
    for policy, lengths in zip(outcome.policies, (candidates[:1], candidates), strict=True):
        cost, days = by_brute_force(lengths, landing, numbers)
        assert isinstance(policy.expected_cost, Money)
        # Half a cent of rounding, and a ten-thousandth of probability at the grid's edges times what a miss costs.
        miss = numbers["shipping"] + numbers["back"] + lead * numbers["day"]
        assert float(policy.expected_cost.decimal) == pytest.approx(cost, abs=0.006 + 1e-4 * miss)
        assert policy.expected_days == pytest.approx(days, abs=1e-4 * max(1, lead))


@given(RESIDUALS, RESIDUALS, LANDINGS)
def test_the_chance_of_two_is_the_normal_measure_of_a_union(one: float, two: float, landing: Landing) -> None:
    spread, tolerance = norm(scale=landing.sd), landing.tolerance

    def both(low: float, high: float) -> float:
        return float(max(0.0, spread.cdf(high) - spread.cdf(low)))

    single = [both(-tolerance - item, tolerance - item) for item in (one, two)]
    overlap = both(-tolerance - min(one, two), tolerance - max(one, two))
    assert chance_one_fits([one, two], landing) == pytest.approx(sum(single) - overlap, abs=1e-9)


@given(RESIDUALS, RESIDUALS, LANDINGS)
def test_a_second_length_never_lowers_the_chance_and_the_order_does_not_matter(
    one: float, two: float, landing: Landing
) -> None:
    assert chance_one_fits([one, two], landing) >= chance_one_fits([one], landing) - 1e-12
    assert chance_one_fits([one, two], landing) == chance_one_fits([two, one], landing)


def test_two_lengths_are_not_two_independent_chances() -> None:
    """The same length twice helps nothing."""
    landing = Landing(1.5, 2.0)
    assert chance_one_fits([0.3, 0.3], landing) == chance_one_fits([0.3], landing)


def test_the_better_neighbour_is_the_one_that_catches_more_misses() -> None:
    landing = Landing(1.5, 2.0)
    near, far = Candidate(115, 1.0), Candidate(110, -1.5)
    assert better_second(Candidate(113, 0.0), [near, far], landing) == far
    assert better_second(Candidate(113, 0.0), [], landing) is None


def test_without_prices_nothing_is_chosen_by_cost_and_what_is_missing_is_named() -> None:
    outcome = advice(msgspec.UNSET)
    assert outcome.decided_by == "probability"
    assert set(outcome.missing) == {"unit_price", "shipping", "return_cost", "lead_days", "day_cost"}
    assert all(policy.expected_cost is msgspec.UNSET for policy in outcome.policies)


@pytest.mark.parametrize("absent", ["unit_price", "shipping", "return_cost"])
def test_one_missing_price_is_never_taken_as_zero(absent: str) -> None:
    stated = {"unit_price": "20.00", "shipping": "5.00", "return_cost": "4.00"}
    del stated[absent]
    outcome = advice(costs(**stated))
    assert outcome.decided_by == "probability"
    assert absent in outcome.missing
    assert all(policy.expected_cost is msgspec.UNSET for policy in outcome.policies)


def test_lead_days_alone_give_days_without_prices() -> None:
    one, two = advice(OrderCosts(lead_days=4)).policies
    assert isinstance(one.expected_days, float)
    assert isinstance(two.expected_days, float)
    assert 4 <= two.expected_days < one.expected_days <= 8


@pytest.mark.parametrize(("sd", "recommended"), [(0.5, "order_one"), (2.0, "order_two_return_one")])
def test_without_prices_two_are_advised_only_where_one_is_likely_to_miss(sd: float, recommended: str) -> None:
    assert advice(msgspec.UNSET, Landing(1.5, sd)).recommended == recommended


@pytest.mark.parametrize(("back", "recommended"), [("1.00", "order_two_return_one"), ("30.00", "order_one")])
def test_with_prices_the_cost_of_a_return_decides(back: str, recommended: str) -> None:
    stated = costs(unit_price="20.00", shipping="6.00", return_cost=back, day_cost="10.00", lead_days=3)
    outcome = advice(stated, Landing(1.5, 2.0))
    assert (outcome.decided_by, outcome.recommended) == ("cost", recommended)


def test_a_tie_goes_to_the_single_order() -> None:
    free = costs(unit_price="20.00", shipping="0.00", return_cost="0.00")
    assert advice(free).recommended == "order_one"


def test_when_even_two_are_more_likely_to_miss_another_measurement_is_advised() -> None:
    assert advice(msgspec.UNSET, Landing(0.5, 4.0)).measure_again
    assert not advice(msgspec.UNSET, Landing(1.5, 1.0)).measure_again


@pytest.mark.parametrize(("currency", "amount"), [("JPY", "3000"), ("EUR", "20.00"), ("KWD", "6.500")])
def test_an_expected_cost_has_as_many_decimals_as_its_currency(currency: str, amount: str) -> None:
    one = advice(costs(currency, unit_price=amount, shipping=amount, return_cost=amount)).policies[0]
    assert isinstance(one.expected_cost, Money)
    assert len(one.expected_cost.amount.partition(".")[2]) == MINOR_DECIMALS[currency]


def test_an_invoice_by_hand() -> None:
    """Unit 20, shipping 6, return 5; the first fits at 0.8: 20 + 6 + 0.2 x (6 + 5) = 28.20."""
    sd = 1.5 / norm.ppf(0.9)
    outcome = advise(
        Candidate(113, 0),
        None,
        Landing(1.5, sd),
        costs(unit_price="20.00", shipping="6.00", return_cost="5.00"),
        Trace(),
    )
    assert [policy.expected_cost for policy in outcome.policies] == [Money(amount="28.20", currency="EUR")]


def test_prices_in_two_currencies_are_refused_by_name() -> None:
    mixed = OrderCosts(unit_price=Money(amount="20.00", currency="EUR"), shipping=Money(amount="6.00", currency="GBP"))
    assert [fault.pointer for fault in check_costs(mixed, "/costs")] == ["/costs/shipping/currency"]


@pytest.mark.parametrize("days", [-1, 366, 2.5, "3"])
def test_lead_days_that_cannot_be_do_not_decode(days: object) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"lead_days": days}, OrderCosts)
