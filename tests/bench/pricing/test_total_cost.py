"""The distribution of totals: held against enumeration through the bill itself, and to laws."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.labour.minutes import MinuteDistribution, exactly
from cotterline.bench.labour.workload import Workload
from cotterline.bench.money import MINOR_DECIMALS, Money, whole
from cotterline.bench.pricing.bill import Charged, bill
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.sourcing import Basket, basket
from cotterline.bench.pricing.total_cost import EVEN_SHARES, Prices, TotalCost, terms
from cotterline.bench.pricing.work_cost import work_cost
from tests.bench.pricing.job_enumeration import outcomes, quantile
from tests.bench.pricing.test_bill import price_texts, shops
from tests.bench.pricing.test_work_cost import SMALL_JOBS, risk, spreads
from tests.bench.pricing_cases import FULL_AND_LOW, ordered, rules

SHARES = (0.1, 0.5, 0.9)
Shop = tuple[str, dict[str, Any], dict[str, Any]]


def total_cost(load: Workload, kept: Basket, held: PricingInForce) -> TotalCost:
    return Prices(held).total_of(work_cost(load, held.rated), kept)


def units(money: Money) -> Decimal:
    return money.decimal.scaleb(MINOR_DECIMALS[money.currency])


def parts(currency: str, prices: list[str]) -> Basket:
    return basket([ordered(price, currency=currency, line=line) for line, price in enumerate(prices, 1)])


@given(shops(), SMALL_JOBS, st.data())
def test_quantiles_and_mean_are_those_of_every_outcome_reckoned_one_by_one(
    shop: Shop, load: Workload, data: st.DataObject
) -> None:
    currency, tax, pricing = shop
    held = rules(currency, tax, **pricing)
    kept = parts(currency, data.draw(st.lists(price_texts(currency), max_size=2)))
    by_total: dict[Fraction, Fraction] = {}
    for outcome in outcomes(load):
        total = terms(kept, held).total(outcome.labour(held.rated), outcome.exchanges)
        by_total[total] = by_total.get(total, Fraction(0)) + outcome.chance
    found = total_cost(load, kept, held)
    mean = sum((total * chance for total, chance in by_total.items()), Fraction(0))
    assert abs(units(found.expected) - Decimal(float(mean))) <= Decimal("0.500001")
    for share in (*SHARES, *EVEN_SHARES):
        # Chances of enumeration come from floats: a share within their error may fall to either neighbour.
        near = {
            whole(quantile(by_total, Fraction(share) + nudge), held.pricing.rounding.mode)
            for nudge in (Fraction(-1, 10**9), Fraction(0), Fraction(1, 10**9))
        }
        assert units(found.quantile(share)) in near
    assert found.curve == tuple(found.quantile(share) for share in EVEN_SHARES)


def test_a_curve_is_the_middles_of_twenty_equal_parts_of_all_jobs() -> None:
    assert len(EVEN_SHARES) == 20
    assert pytest.approx([(part + (part + 1)) / 2 / 20 for part in range(20)]) == EVEN_SHARES


@given(shops(), st.integers(0, 60 * 100_000), st.integers(0, 3), st.data())
def test_the_rules_as_numbers_are_the_rules_of_the_bill(
    shop: Shop, sixtieths: int, exchanges: int, data: st.DataObject
) -> None:
    currency, tax, pricing = shop
    pricing = pricing | {"rounding": pricing["rounding"] | {"at": "total"}}
    held = rules(currency, tax, **pricing)
    kept = parts(currency, data.draw(st.lists(price_texts(currency), max_size=2)))
    kept = replace(kept, returns=data.draw(st.integers(0, 2)))
    labour = Fraction(sixtieths, 60)
    billed = bill(Charged(labour=labour, basket=kept, exchanges=exchanges), held).total
    assert units(billed) == held.nearest(terms(kept, held).total(labour, exchanges))


# By hand. 10, 20 or 40 min with chances 1/4, 1/2, 1/4 at 60.00 an hour are 10, 20 or 40; the minimum is 15; so 15, 20
# or 40. A tenth off: 13.50, 18.00, 36.00. Sundries 10 %, at most 3.00: 1.35, 1.80, 3.00. Together 14.85, 19.80, 39.00.
# A part at 20.00 and its delivery at 5.00, and with chance 1/5 an exchange: 5.00 there and 4.00 back, no minutes.
# Without an exchange 39.85 (0.2), 44.80 (0.4), 64.00 (0.2); with one 48.85 (0.05), 53.80 (0.1), 73.00 (0.05).
# In order: 39.85 to 0.2, 44.80 to 0.6, 48.85 to 0.65, 53.80 to 0.75, 64.00 to 0.95, 73.00 to 1.
# The mean: (14.85 + 2 * 19.80 + 39.00) / 4 + 25.00 + 9.00 / 5 = 23.3625 + 26.80 = 50.1625, so 50.16.
def test_a_small_job_by_hand() -> None:
    held = rules(
        labour_rates={"bench": "60.00"},
        minimum_labour="15",
        discounts=[{"name": "Club", "percent": "10", "on": "labour"}],
        sundries={"kind": "share", "of": "labour", "percent": "10", "cap": "3.00"},
        shipping="5.00",
        return_shipping="4.00",
    )
    minutes = MinuteDistribution(10, np.array([0.25, *[0] * 9, 0.5, *[0] * 19, 0.25]))
    load = Workload(fixed={"bench": minutes}, with_cost=(risk(0.2, exactly(0)),))
    found = total_cost(load, parts("EUR", ["20.00"]), held)
    assert found.expected.amount == "50.16"
    shares = {"39.85": (0.01, 0.2), "44.80": (0.21, 0.6), "48.85": (0.65,), "53.80": (0.75,), "64.00": (0.9, 0.95)}
    assert {text: [found.quantile(share).amount for share in of] for text, of in shares.items()} == {
        text: [text] * len(of) for text, of in shares.items()
    }
    assert found.quantile(0.96).amount == "73.00"
    assert found.suffices(Money(amount="53.80", currency="EUR")) == pytest.approx(0.75)
    assert found.suffices(Money(amount="53.79", currency="EUR")) == pytest.approx(0.65)


# Tax at 20 % on labour 10.00 and on an exchange of 9.00 is added: 12.00, and 10.80 more with chance 1/2.
def test_tax_that_is_added_is_in_the_range() -> None:
    held = rules(
        tax={"prices": "added", "rates": FULL_AND_LOW},
        labour_rates={"bench": "60.00"},
        shipping="5.00",
        return_shipping="4.00",
        tax_by_kind={"labour": "full", "shipping": "full"},
    )
    load = Workload(fixed={"bench": exactly(10)}, with_cost=(risk(0.5, exactly(0)),))
    found = total_cost(load, Basket(), held)
    assert [found.quantile(share).amount for share in (0.5, 0.51)] == ["12.00", "22.80"]
    assert found.expected.amount == "17.40"


# 1 min at 0.30 is half a cent; at 0.90, one and a half; at 0.28, 0.4667 of one.
@pytest.mark.parametrize(
    ("mode", "rate", "amount"),
    [
        ("half_even", "0.30", "0.00"),
        ("half_up", "0.30", "0.01"),
        ("half_even", "0.90", "0.02"),
        ("half_up", "0.90", "0.02"),
        ("half_up", "0.28", "0.00"),
    ],
)
def test_half_a_coin_of_a_certain_total_goes_where_the_shop_says(mode: str, rate: str, amount: str) -> None:
    held = rules(labour_rates={"bench": rate}, rounding={"mode": mode})
    found = total_cost(Workload(fixed={"bench": exactly(1)}), Basket(), held)
    assert [found.quantile(0.5).amount, found.expected.amount] == [amount, amount]


@given(shops(), SMALL_JOBS, st.data())
def test_raising_a_price_or_a_rate_never_lowers_a_quantile_or_the_mean(
    shop: Shop, load: Workload, data: st.DataObject
) -> None:
    currency, tax, pricing = shop
    coin = Decimal(1).scaleb(-MINOR_DECIMALS[currency])
    more = data.draw(st.integers(1, 5000)) * coin
    what = data.draw(st.sampled_from(["part", "minimum_labour", "shipping", "return_shipping", "bench"]))
    prices, raised = ["0", "1"] if what == "part" else ["1", "1"], dict(pricing)
    if what == "bench":
        raised["labour_rates"] = pricing["labour_rates"] | {"bench": text(pricing["labour_rates"]["bench"], more)}
    elif what != "part":
        raised[what] = text(pricing[what], more)
    before = total_cost(load, parts(currency, prices[:1]), rules(currency, tax, **pricing))
    after = total_cost(load, parts(currency, prices[1:]), rules(currency, tax, **raised))
    assert after.expected.decimal >= before.expected.decimal
    for share in SHARES:
        assert after.quantile(share).decimal >= before.quantile(share).decimal


def text(price: str, more: Decimal) -> str:
    return f"{Decimal(price) + more:f}"


@given(shops(), SMALL_JOBS)
def test_quantiles_are_ordered_and_their_share_suffices(shop: Shop, load: Workload) -> None:
    currency, tax, pricing = shop
    found = total_cost(load, Basket(), rules(currency, tax, **pricing))
    at = [found.quantile(share) for share in SHARES]
    assert [money.decimal for money in at] == sorted(money.decimal for money in at)
    assert all(found.suffices(money) >= share - 1e-9 for money, share in zip(at, SHARES, strict=True))


@given(shops(), SMALL_JOBS, spreads(), st.floats(0, 1))
def test_one_more_contingency_never_lowers_a_quantile_or_the_mean(
    shop: Shop, load: Workload, extra: MinuteDistribution, chance: float
) -> None:
    currency, tax, pricing = shop
    held = rules(currency, tax, **pricing)
    before = total_cost(load, Basket(), held)
    after = total_cost(replace(load, with_cost=(*load.with_cost, risk(chance, extra))), Basket(), held)
    assert after.expected.decimal >= before.expected.decimal
    for share in SHARES:
        assert after.quantile(share).decimal >= before.quantile(share).decimal
