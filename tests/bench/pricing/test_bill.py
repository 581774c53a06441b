"""Bills add up: worked invoices by hand, with the arithmetic beside them, and laws over many currencies."""

from decimal import Decimal
from fractions import Fraction
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.money import MINOR_DECIMALS
from cotterline.bench.pricing.bill import Bill, Charged, bill
from cotterline.bench.pricing.sourcing import Basket, basket
from tests.bench.pricing_cases import FULL_AND_LOW, ordered, rules

BY_LINE, ON_TOTAL = "line", "total"
ALL_FULL = dict.fromkeys(("labour", "parts", "sundries", "shipping"), "full")


def amounts(found: Bill) -> list[str]:
    return [line.amount.amount for line in found.lines]


def kinds(found: Bill) -> list[str]:
    return [line.kind for line in found.lines]


def of_parts(*prices: str, currency: str = "EUR") -> Basket:
    return basket([ordered(price, currency=currency, line=line) for line, price in enumerate(prices, 1)])


# Labour 95 min at 61.00 an hour: 96.58333, so 96.58. 25 min at 74.50: 31.041667, so 31.04. Together 127.62.
# Parts 2 x 1.20 = 2.40 and 34.95, together 37.35. Ten percent off labour: 12.762, so 12.76; 114.86 is left.
# Sundries 3 % of that: 3.4458, so 3.45. Delivery 6.50. Sum 127.62 + 37.35 - 12.76 + 3.45 + 6.50 = 162.16.
# A fifth is in it: 162.16 * 20 / 120 = 27.026667, so 27.03; net 135.13.
def test_an_invoice_with_tax_included_and_every_line_rounded() -> None:
    held = rules(
        tax={"prices": "included", "rates": FULL_AND_LOW},
        labour_rates={"bench": "61.00", "cutting": "74.50"},
        discounts=[{"name": "Club", "percent": "10", "on": "labour"}],
        sundries={"kind": "share", "of": "labour", "percent": "3"},
        shipping="6.50",
        tax_by_kind=ALL_FULL,
    )
    parts = basket([ordered("1.20", 2, line=1), ordered("34.95", line=2)])
    found = bill(Charged(minutes={"bench": 95, "cutting": 25}, basket=parts), held)
    assert amounts(found) == ["96.58", "31.04", "2.40", "34.95", "-12.76", "3.45", "6.50"]
    assert kinds(found) == ["labour", "labour", "parts", "parts", "discount", "sundries", "shipping"]
    assert (found.net.amount, found.tax.amount, found.total.amount) == ("135.13", "27.03", "162.16")
    first = found.lines[0]
    assert (first.quantity, first.unit_code, first.base_quantity) == ("95", "MIN", "60")
    assert first.unit_price is not msgspec.UNSET
    assert {line.tax_rate for line in found.lines} == {"full"}


# 20 min at 10.000 an hour: 3.33333, so 3.333. A part at 2.345. Tax 20 % of 3.333 = 0.6666, so 0.667; 5 % of 2.345 =
# 0.11725, so 0.117. Sum 3.333 + 2.345 + 0.667 + 0.117 = 6.462.
# On the total: 3.333333 + 2.345 + 0.666667 + 0.11725 = 6.46225, so 6.462. Whole thousandths below: 3.333, 2.345,
# 0.666, 0.117, one short; 0.666667 lacks most.
@pytest.mark.parametrize("at", [BY_LINE, ON_TOTAL])
def test_an_invoice_in_thousandths_with_tax_of_two_rates_added(at: str) -> None:
    held = rules(
        "KWD",
        {"prices": "added", "rates": FULL_AND_LOW},
        labour_rates={"bench": "10.000"},
        tax_by_kind={"labour": "full", "parts": "low"},
        rounding={"at": at},
    )
    found = bill(Charged(minutes={"bench": 20}, basket=of_parts("2.345", currency="KWD")), held)
    assert amounts(found) == ["3.333", "2.345", "0.667", "0.117"]
    assert [(item.rate, item.net.amount, item.tax.amount, item.gross.amount) for item in found.taxes] == [
        ("full", "3.333", "0.667", "4.000"),
        ("low", "2.345", "0.117", "2.462"),
    ]
    assert (found.net.amount, found.tax.amount, found.total.amount) == ("5.678", "0.784", "6.462")


# Yen have no smaller coin. 30 min at 101 an hour: 50.5; at 103: 51.5. By line, a half to the even: 50 and 52; a half
# up: 51 and 52. On the total: 102 exactly; below lie 50 and 51, one short, and of equal remainders the first gets it.
@pytest.mark.parametrize(
    ("mode", "at", "lines", "total"),
    [
        ("half_even", BY_LINE, ["50", "52"], "102"),
        ("half_up", BY_LINE, ["51", "52"], "103"),
        ("half_even", ON_TOTAL, ["51", "51"], "102"),
        ("half_up", ON_TOTAL, ["51", "51"], "102"),
    ],
)
def test_an_invoice_without_a_smaller_coin(mode: str, at: str, lines: list[str], total: str) -> None:
    held = rules("JPY", labour_rates={"bench": "101", "cutting": "103"}, rounding={"mode": mode, "at": at})
    found = bill(Charged(minutes={"bench": 30, "cutting": 30}), held)
    assert (amounts(found), found.total.amount) == (lines, total)


# Three lines of 10 min at 1.00 an hour are 0.166667 each: 0.17 * 3 = 0.51 by line, 0.50 on the total; shown 0.17,
# 0.17 and 0.16.
@pytest.mark.parametrize(("at", "shown"), [(BY_LINE, ["0.17"] * 3), (ON_TOTAL, ["0.17", "0.17", "0.16"])])
def test_lines_shown_add_up_where_rounding_each_would_not(at: str, shown: list[str]) -> None:
    held = rules(labour_rates={"bench": "1.00", "cutting": "1.00", "frame": "1.00"}, rounding={"at": at})
    assert amounts(bill(Charged(minutes={"bench": 10, "cutting": 10, "frame": 10}), held)) == shown


# 120.00 of labour has 120 * 20 / 120 = 20.00 in it, parts at 10.50 have 10.50 * 5 / 105 = 0.50.
def test_included_tax_is_taken_out_of_each_rate_by_itself() -> None:
    held = rules(
        tax={"prices": "included", "rates": FULL_AND_LOW},
        labour_rates={"bench": "60"},
        tax_by_kind={"labour": "full", "parts": "low"},
    )
    found = bill(Charged(minutes={"bench": 120}, basket=of_parts("10.50")), held)
    assert [item.tax.amount for item in found.taxes] == ["20.00", "0.50"]
    assert (found.net.amount, found.total.amount) == ("110.00", "130.50")
    assert "tax" not in kinds(found)


# EN 16931-1:2017, rule BR-CO-17: tax is reckoned on the sum of a rate, not line by line. Three parts at 0.33, 20 %:
# of the sum 0.198, so 0.20; line by line it would be 3 * 0.07 = 0.21.
def test_added_tax_is_reckoned_on_the_sum_of_its_rate() -> None:
    held = rules(tax={"prices": "added", "rates": FULL_AND_LOW}, tax_by_kind=ALL_FULL)
    found = bill(Charged(basket=of_parts("0.33", "0.33", "0.33")), held)
    assert (amounts(found)[-1], found.total.amount) == ("0.20", "1.19")


# 10 min at 60.00 are 10.00; 5.00 more are the minimum of 15.00. A tenth off takes 1.50.
def test_the_minimum_charge_is_a_line_and_is_discounted_as_labour() -> None:
    held = rules(
        labour_rates={"bench": "60"},
        minimum_labour="15",
        discounts=[{"name": "Club", "percent": "10", "on": "all"}],
    )
    found = bill(Charged(minutes={"bench": 10}), held)
    assert (amounts(found), kinds(found)) == (["10.00", "5.00", "-1.50"], ["labour", "labour", "discount"])
    assert amounts(bill(Charged(minutes={"bench": 15}), held)) == ["15.00", "-1.50"]


def test_work_of_a_class_without_a_rate_has_no_line_and_no_minimum_stands_for_it() -> None:
    found = bill(Charged(minutes={"frame": 60}), rules(minimum_labour="15"))
    assert (found.lines, found.total.amount) == ((), "0.00")
    some = bill(Charged(minutes={"frame": 60, "bench": 60}), rules(labour_rates={"bench": "20"}))
    assert amounts(some) == ["20.00"]


# Half of 0.01 and half again. A half up: first 0.01, then nothing is left. A half to the even: first 0.00, then 0.01.
@pytest.mark.parametrize(("mode", "lines"), [("half_up", ["-0.01", "0.00"]), ("half_even", ["0.00", "-0.01"])])
def test_discounts_rounded_one_by_one_never_take_more_than_there_is(mode: str, lines: list[str]) -> None:
    halves = [{"name": name, "percent": "50", "on": "parts"} for name in ("one", "other")]
    found = bill(Charged(basket=of_parts("0.01")), rules(discounts=halves, rounding={"mode": mode}))
    assert amounts(found)[1:] == lines
    assert found.total.amount == "0.00"


# A discount on all takes 10 % of labour 60.00 and of parts 40.00, 6.00 and 4.00; each carries its kind's tax.
def test_a_discount_on_all_is_a_line_for_each_kind_at_its_own_rate_of_tax() -> None:
    held = rules(
        tax={"rates": FULL_AND_LOW},
        labour_rates={"bench": "60"},
        discounts=[{"name": "Sale", "percent": "10", "on": "all"}],
        tax_by_kind={"labour": "full", "parts": "low"},
    )
    found = bill(Charged(minutes={"bench": 60}, basket=of_parts("40.00")), held)
    cut = [(line.amount.amount, line.tax_rate) for line in found.lines if line.kind == "discount"]
    assert cut == [("-6.00", "full"), ("-4.00", "low")]


@pytest.mark.parametrize(
    ("sundries", "amount"),
    [
        ({"kind": "flat", "amount": "2.50"}, "2.50"),
        ({"kind": "share", "of": "parts", "percent": "5"}, "2.00"),
        ({"kind": "share", "of": "parts", "percent": "5", "cap": "1.75"}, "1.75"),
        ({"kind": "share", "of": "labour", "percent": "5", "cap": "9"}, "3.00"),
    ],
)
def test_sundries_are_a_share_up_to_a_cap_or_one_amount(sundries: dict[str, Any], amount: str) -> None:
    """5 % of parts at 40.00 are 2.00, of labour at 60.00 are 3.00."""
    held = rules(labour_rates={"bench": "60"}, sundries=sundries)
    found = bill(Charged(minutes={"bench": 60}, basket=of_parts("40.00")), held)
    assert [line.amount.amount for line in found.lines if line.kind == "sundries"] == [amount]


# One delivery for the parts and one more for each of two exchanges: 3 * 6.50. One spindle tried goes back, and one for
# each exchange: 3 * 4.20.
def test_deliveries_and_returns_are_counted() -> None:
    held = rules(shipping="6.50", return_shipping="4.20")
    tried = basket([ordered("30", line=1, tried=True), ordered("30", line=2, tried=True)])
    found = bill(Charged(basket=tried, exchanges=2), held)
    assert [(line.quantity, line.amount.amount) for line in found.lines[1:]] == [("3", "19.50"), ("3", "12.60")]
    assert bill(Charged(), held).lines == ()


CURRENCIES = st.sampled_from(["JPY", "EUR", "KWD", "CLF"])
PERCENTS = st.integers(0, 50_000).map(lambda units: f"{Decimal(units) / 1000:f}")


@st.composite
def price_texts(draw: st.DrawFn, currency: str, most: int = 200_000) -> str:
    return f"{Decimal(draw(st.integers(0, most))).scaleb(-MINOR_DECIMALS[currency]):f}"


@st.composite
def shops(draw: st.DrawFn) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """A currency, a rule of tax and a pricing."""
    currency = draw(CURRENCIES)
    amount = price_texts(currency)
    share = st.fixed_dictionaries(
        {"kind": st.just("share"), "of": st.sampled_from(["labour", "parts"]), "percent": PERCENTS},
        optional={"cap": amount},
    )
    pricing = draw(
        st.fixed_dictionaries(
            {
                "labour_rates": st.fixed_dictionaries({"bench": amount}, optional={"cutting": amount, "frame": amount}),
                "minimum_labour": amount,
                "sundries": share | st.fixed_dictionaries({"kind": st.just("flat"), "amount": amount}),
                "shipping": amount,
                "return_shipping": amount,
                "discounts": st.lists(
                    st.fixed_dictionaries(
                        {"name": st.just("off"), "percent": PERCENTS, "on": st.sampled_from(["labour", "parts", "all"])}
                    ),
                    max_size=2,
                ),
                "tax_by_kind": st.fixed_dictionaries(
                    {}, optional={kind: st.sampled_from(["full", "low"]) for kind in ALL_FULL}
                ),
                "rounding": st.fixed_dictionaries(
                    {"mode": st.sampled_from(["half_even", "half_up"]), "at": st.sampled_from([BY_LINE, ON_TOTAL])}
                ),
            }
        )
    )
    tax = {"prices": draw(st.sampled_from(["included", "added"])), "rates": FULL_AND_LOW}
    return currency, tax, pricing


MINUTES = st.dictionaries(st.sampled_from(["bench", "cutting", "frame"]), st.integers(0, 400))


@given(shops(), MINUTES, st.data())
def test_the_total_is_always_the_sum_of_the_lines_shown(
    shop: tuple[str, dict[str, Any], dict[str, Any]], minutes: dict[LabourClass, int], data: st.DataObject
) -> None:
    currency, tax, pricing = shop
    prices = data.draw(st.lists(price_texts(currency), max_size=3))
    work = Charged(minutes=minutes, basket=of_parts(*prices, currency=currency), exchanges=data.draw(st.integers(0, 2)))
    found = bill(work, rules(currency, tax, **pricing))
    assert sum(line.amount.decimal for line in found.lines) == found.total.decimal
    assert found.net.decimal + found.tax.decimal == found.total.decimal
    assert sum(item.tax.decimal for item in found.taxes) == found.tax.decimal
    assert all(item.net.decimal + item.tax.decimal == item.gross.decimal for item in found.taxes)
    assert found.total.decimal >= 0
    places = MINOR_DECIMALS[currency]
    assert all(-Decimal(line.amount.amount).as_tuple().exponent == places for line in found.lines)  # type: ignore[operator] # never NaN


@given(shops(), MINUTES, st.data())
def test_raising_a_price_or_a_rate_never_lowers_a_bill(
    shop: tuple[str, dict[str, Any], dict[str, Any]], minutes: dict[LabourClass, int], data: st.DataObject
) -> None:
    currency, tax, pricing = shop
    coin = Decimal(1).scaleb(-MINOR_DECIMALS[currency])
    prices = data.draw(st.lists(price_texts(currency), min_size=1, max_size=3))
    raised_prices, raised = list(prices), msgspec.json.decode(msgspec.json.encode(pricing))
    more = data.draw(st.integers(1, 500)) * coin
    what = data.draw(
        st.sampled_from(["part", "minimum_labour", "shipping", "return_shipping", *pricing["labour_rates"]])
    )
    if what == "part":
        raised_prices[0] = f"{Decimal(prices[0]) + more:f}"
    elif what in pricing["labour_rates"]:
        raised["labour_rates"][what] = f"{Decimal(pricing['labour_rates'][what]) + more:f}"
    else:
        raised[what] = f"{Decimal(pricing[what]) + more:f}"
    before, after = (
        bill(
            Charged(minutes=minutes, basket=of_parts(*sold, currency=currency), exchanges=1),
            rules(currency, tax, **priced),
        )
        for sold, priced in ((prices, pricing), (raised_prices, raised))
    )
    assert after.total.decimal >= before.total.decimal


def test_a_sum_for_labour_may_stand_for_its_minutes() -> None:
    held = rules(labour_rates={"bench": "60"}, rounding={"mode": "half_up"})
    assert amounts(bill(Charged(labour=Fraction(24691, 2)), held)) == ["123.46"]
