"""Parts and price lists are checked before they are kept."""

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean

from cotterline.bench.pricing.catalogue import (
    Offer,
    Part,
    PriceBreak,
    PriceList,
    check_offer,
    check_parts,
    check_price_list,
    price_for,
)
from tests.bench.pricing_cases import list_of, unit

# Check digits by hand from the rule of the GS1 General Specifications, section 7.9: from the right, digits weigh 3, 1,
# 3, 1 ...; the check digit fills their sum up to a multiple of ten. Numbers for use inside a shop, so nobody's.
# 201234567890: 3 * (0 + 8 + 6 + 4 + 2 + 0) + (9 + 7 + 5 + 3 + 1 + 2) = 60 + 27 = 87, so 3.
# 04000000123: 3 * (3 + 1 + 0 + 0 + 0 + 0) + (2 + 0 + 0 + 0 + 4) = 12 + 6 = 18, so 2.
# 2000001: 3 * (1 + 0 + 0 + 2) + 0 = 9, so 1.
# 1201234567890: 3 * (0 + 8 + 6 + 4 + 2 + 0 + 1) + (9 + 7 + 5 + 3 + 1 + 2) = 63 + 27 = 90, so 0.
SOUND = ["2012345678903", "040000001232", "20000011", "12012345678900"]


def sourced_gtin(number: str) -> Part:
    return unit(gtin=number)


@pytest.mark.parametrize("number", SOUND)
def test_a_trade_item_number_with_its_check_digit_is_taken(number: str) -> None:
    assert not list(check_parts([sourced_gtin(number)], ""))


@pytest.mark.parametrize("number", SOUND)
def test_a_trade_item_number_with_another_check_digit_is_named(number: str) -> None:
    wrong = number[:-1] + str((int(number[-1]) + 1) % 10)
    (fault,) = check_parts([sourced_gtin(wrong)], "/parts")
    assert fault.pointer == "/parts/0/gtin"
    (fault,) = check_offer(Offer(sku="a", price="1", gtin=wrong), "EUR", "/offers/3")
    assert fault.pointer == "/offers/3/gtin"


def by_hand(body: str) -> str:
    """The check digit by the rule above, written out anew."""
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body)))
    return str(-total % 10)


@given(
    st.sampled_from([7, 11, 12, 13]).flatmap(lambda size: st.text("0123456789", min_size=size, max_size=size)),
    st.data(),
)
def test_exactly_one_check_digit_in_ten_is_right(body: str, data: st.DataObject) -> None:
    right = by_hand(body)
    assert not list(check_parts([sourced_gtin(body + right)], ""))
    other = data.draw(st.sampled_from([digit for digit in "0123456789" if digit != right]))
    assert list(check_parts([sourced_gtin(body + other)], ""))
    assert ean.calc_check_digit(body) == right


@pytest.mark.parametrize(
    "number", ["", "1234567", "123456789", "201234567890A", "2012345678903 ", "٢٠٠٠٠٠١١", "201234567890300"]
)
def test_a_number_of_another_form_is_refused(number: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        sourced_gtin(number)


def test_a_number_given_twice_is_named_at_its_second_place() -> None:
    (fault,) = check_parts([unit("a"), unit("b"), unit("a")], "/parts")
    assert fault.pointer == "/parts/2/sku"
    twice = PriceList(supplier="s", currency="EUR", offers=(Offer(sku="a", price="1"),) * 2)
    (fault,) = check_price_list(twice, "")
    assert fault.pointer == "/offers/1/sku"


def test_a_list_in_an_unknown_currency_is_refused() -> None:
    (fault,) = check_price_list(list_of("s", "XYZ", a="-1"), "/list")
    assert fault.pointer == "/list/currency"


@pytest.mark.parametrize(
    ("offer", "pointer"),
    [
        (Offer(sku="a", price="-1.00"), "/price"),
        (Offer(sku="a", price="1.005"), "/price"),
        (Offer(sku="a"), "/price"),
        (Offer(sku="a", price="1", breaks=(PriceBreak(quantity=1, price="1"),)), "/price"),
        (Offer(sku="a", breaks=(PriceBreak(quantity=1, price="-1"),)), "/breaks/0/price"),
        (
            Offer(sku="a", breaks=(PriceBreak(quantity=5, price="2"), PriceBreak(quantity=5, price="1"))),
            "/breaks/1/quantity",
        ),
        (
            Offer(sku="a", breaks=(PriceBreak(quantity=5, price="2"), PriceBreak(quantity=2, price="1"))),
            "/breaks/1/quantity",
        ),
    ],
)
def test_an_offer_that_makes_no_sense_is_named_at_its_place(offer: Offer, pointer: str) -> None:
    listed = PriceList(supplier="s", currency="EUR", offers=(Offer(sku="sound", price="1"), offer))
    assert [fault.pointer for fault in check_price_list(listed, "")] == [f"/offers/1{pointer}"]


def test_a_price_may_rise_with_the_quantity() -> None:
    steps = (PriceBreak(quantity=1, price="1"), PriceBreak(quantity=2, price="2"))
    assert not list(check_offer(Offer(sku="a", breaks=steps), "EUR", ""))


@pytest.mark.parametrize(("quantity", "price"), [(1, None), (2, "9.00"), (9, "9.00"), (10, "7.50"), (11, "7.50")])
def test_the_last_break_that_is_reached_sets_the_price(quantity: int, price: str | None) -> None:
    breaks = (PriceBreak(quantity=2, price="9.00"), PriceBreak(quantity=10, price="7.50"))
    found = price_for(Offer(sku="a", breaks=breaks), quantity)
    assert (None if found is None else f"{found}") == price
