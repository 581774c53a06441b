"""Parts that became dearer since the estimate are held against the ceiling, as the customer would be charged."""

import msgspec
import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.bench.order_ceiling import Bought, hold_order_to_ceiling
from cotterline.bench.order_needs import Needs
from cotterline.bench.orders import BySupplier
from cotterline.bench.pricing.in_force import PricingInForce
from tests.bench.order_cases import eur, line
from tests.bench.ordering_cases import market, offers
from tests.bench.pricing_cases import ordered, rules
from tests.bench.test_allotments import BOLTS, CHAIN, PAIR, allot, unit_of

UNIT = unit_of(113)
AT_COST = rules()


def needs(*quoted: tuple[int, str], p90: str = "100.00", tried: bool = False) -> Needs:
    lines = tuple(ordered(price, line=number, tried=tried) for number, price in quoted)
    return Needs(lines=(), options_after=8, quoted=lines, p90=eur(p90))


def unit_at(price: str) -> BySupplier:
    return allot((UNIT,), market(offers("a", u113=price)))


def beyond(found: BySupplier, wanted: Needs, ceiling: str, by: PricingInForce = AT_COST) -> str:
    with pytest.raises(CotterlineError) as caught:
        hold_order_to_ceiling(found, wanted, eur(ceiling), by)
    assert caught.value.code == "beyond-ceiling"
    return caught.value.detail


def test_parts_at_the_price_that_was_quoted_fit_whatever_the_ceiling() -> None:
    """What was agreed to stays agreed to: an approval may be below what suffices with probability 0.9."""
    hold_order_to_ceiling(unit_at("20.00"), needs((1, "20.00")), eur("80.00"), AT_COST)
    hold_order_to_ceiling(unit_at("15.00"), needs((1, "20.00")), eur("80.00"), AT_COST)


def test_dearer_parts_fit_up_to_the_ceiling_and_not_a_coin_beyond() -> None:
    """By hand: 100.00 + (25.00 - 20.00) = 105.00."""
    hold_order_to_ceiling(unit_at("25.00"), needs((1, "20.00")), eur("105.00"), AT_COST)
    assert beyond(unit_at("25.00"), needs((1, "20.00")), "104.99") == (
        "The parts come to 5.00 EUR more than was quoted, and the job may so come to 105.00 EUR; agreed are 104.99 EUR."
    )


def test_the_customer_pays_the_markup_the_discount_and_the_tax_on_the_difference() -> None:
    """By hand: cost 25 sold for 37.50, quoted 30.00; less 10 % is 6.75 more; 20 % tax on that makes 8.10."""
    by = rules(
        tax={"prices": "added", "rates": [{"name": "full", "percent": "20"}]},
        markup=[{"percent": "50"}],
        discounts=[{"name": "club", "percent": "10", "on": "parts"}],
        tax_by_kind={"parts": "full"},
    )
    hold_order_to_ceiling(unit_at("25.00"), needs((1, "30.00")), eur("108.10"), by)
    assert "8.10 EUR more" in beyond(unit_at("25.00"), needs((1, "30.00")), "108.09", by)


def test_of_two_lengths_the_dearer_is_charged() -> None:
    found = allot(PAIR, market(offers("a", u113="25.00", u110="30.00")))
    quoted = needs((1, "20.00"), (2, "18.00"), tried=True)
    assert "10.00 EUR more" in beyond(found, quoted, "109.99")


def test_a_line_at_hand_is_charged_as_it_was_quoted() -> None:
    found = allot((UNIT, BOLTS), market(offers("a", u113="21.00", b8="9")), from_stock=[2])
    hold_order_to_ceiling(found, needs((1, "20.00"), (2, "50.00")), eur("101.00"), AT_COST)
    assert "1.00 EUR more" in beyond(found, needs((1, "20.00"), (2, "50.00")), "100.99")


def test_a_part_the_estimate_did_not_count_is_charged_whole() -> None:
    found = allot((UNIT, CHAIN), market(offers("a", u113="20.00", c8="9.00")))
    assert "9.00 EUR more" in beyond(found, needs((1, "20.00")), "100.00")
    hold_order_to_ceiling(found, needs((1, "20.00"), (0, "9.00")), eur("100.00"), AT_COST)


def test_the_estimates_own_figure_is_what_the_difference_is_added_to() -> None:
    wanted = msgspec.structs.replace(needs((1, "20.00")), p90=eur("60.00"))
    hold_order_to_ceiling(unit_at("40.00"), wanted, eur("80.00"), AT_COST)
    assert "80.00 EUR" in beyond(unit_at("40.00"), wanted, "79.99")


def test_what_other_orders_bring_is_charged_as_it_was_ordered_save_for_what_is_replaced() -> None:
    """By hand: bolts quoted at 2.00 were ordered at 3.00, so a unit at the price quoted leaves 101.00 of 100.00."""
    bolts, old = line(1, price="3.00", parts_line=2), line(2, price="99.00", parts_line=1)
    before = [Bought(bolts, "a"), Bought(old, "a")]
    wanted = needs((1, "20.00"), (2, "2.00"))
    hold_order_to_ceiling(unit_at("20.00"), wanted, eur("101.00"), AT_COST, before)
    with pytest.raises(CotterlineError, match=r"1\.00 EUR more"):
        hold_order_to_ceiling(unit_at("20.00"), wanted, eur("100.99"), AT_COST, before)


def test_of_spindles_ordered_to_be_tried_the_dearest_alone_is_charged_with_the_one_that_follows() -> None:
    """By hand: 25.00 instead of 20.00; the other of the pair is cheaper and goes back."""
    new = allot((unit_of(113, tried=True),), market(offers("a", u113="25.00")))
    other = Bought(line(2, price="19.00", parts_line=2, returnable=True), "a")
    wanted = needs((1, "20.00"), (2, "19.00"), tried=True)
    hold_order_to_ceiling(new, wanted, eur("105.00"), AT_COST, [other])
    with pytest.raises(CotterlineError, match=r"5\.00 EUR more"):
        hold_order_to_ceiling(new, wanted, eur("104.99"), AT_COST, [other])
