"""Parts are found by what they are, bought where they are cheapest, and never taken to be free."""

from decimal import Decimal
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.parts_list import PartsLine, Quantity, Text
from cotterline.bench.pricing.catalogue import Offer, Part, PriceBreak, PriceList
from cotterline.bench.pricing.sourcing import (
    MissingPrice,
    SourcedLine,
    SourcedParts,
    basket,
    selling_price,
)
from tests.bench.pricing_cases import exactly, for_role, list_of, ordered, rules, sourced, unit, unit_line

RULES = rules()
BOLTS = PartsLine(
    number=2,
    role="crank_bolts",
    supply="order",
    name="Crank bolts",
    quantity=Quantity(2),
    properties=(Text(name="thread", value="M8 x 1", accepted=("M8 x 1",)),),
)
BOLT = Part(sku="b8", name="Bolt", role="crank_bolts", thread="M8 x 1")


def found(parts: SourcedParts) -> SourcedLine:
    (line,) = parts.lines
    assert not parts.missing
    return line


def missed(parts: SourcedParts) -> MissingPrice:
    (item,) = parts.missing
    assert not parts.lines
    return item


def test_a_unit_of_every_dimension_asked_for_is_found_with_its_price_stock_and_days() -> None:
    prices = PriceList(supplier="s", currency="EUR", offers=(Offer(sku="u113", price="19.90", stock=3, lead_days=2),))
    line = found(sourced([unit_line()], [unit()], [prices], RULES))
    assert (line.sku, line.supplier, line.unit_cost.amount, line.stock, line.lead_days) == ("u113", "s", "19.90", 3, 2)
    assert line.exact
    assert (line.line, line.quantity) == (1, 1)


@pytest.mark.parametrize(
    "other",
    [
        {"family": "italian"},
        {"family": "french"},
        {"family": "swiss"},
        {"family": "british_26"},
        {"shell_width": 73},
        {"spindle_length": 109.5},
        {"spindle_length": 116.5},
        {"taper": "jis"},
        {"spindle_asymmetry": 2},
        {"role": "other"},
    ],
)
def test_a_unit_that_differs_in_one_thing_is_never_found(other: dict[str, Any]) -> None:
    part = msgspec.convert(msgspec.to_builtins(unit()) | other, Part)
    item = missed(sourced([unit_line()], [part], [list_of("s", u113="1")], RULES))
    assert "every property" in item.why
    assert item.line == 1


@pytest.mark.parametrize("left_out", ["family", "shell_width", "spindle_length", "taper"])
def test_a_unit_that_does_not_state_something_asked_for_is_not_taken_to_have_it(left_out: str) -> None:
    body = {name: value for name, value in msgspec.to_builtins(unit()).items() if name != left_out}
    missed(sourced([unit_line()], [msgspec.convert(body, Part)], [list_of("s", u113="1")], RULES))


def test_a_spacer_is_told_by_its_thickness_and_what_it_goes_on() -> None:
    line = PartsLine(
        number=1,
        role="spacer",
        supply="order",
        name="Spacer",
        quantity=Quantity(1),
        properties=(exactly("thickness", 2), exactly("thread_outside_diameter", 34.798)),
    )
    spacer = Part(sku="s2", name="Spacer", role="spacer", thickness=2, thread_outside_diameter=34.798)
    thin = msgspec.structs.replace(spacer, sku="s1", thickness=1)
    assert found(sourced([line], [thin, spacer], [list_of("s", s1="0.10", s2="0.50")], RULES)).sku == "s2"


def test_a_part_of_the_very_length_goes_before_a_cheaper_one_that_stands_in() -> None:
    prices = list_of("s", u113="30", u110="10", u115="5")
    line = found(sourced([unit_line()], [unit("u110", 110), unit(), unit("u115", 115)], [prices], RULES))
    assert (line.sku, line.exact) == ("u113", True)
    line = found(sourced([unit_line()], [unit("u110", 110), unit("u115", 115)], [prices], RULES))
    assert (line.sku, line.exact) == ("u115", False), "nearest first"


def test_the_cheapest_supplier_is_taken_and_of_equals_the_soonest() -> None:
    slow = PriceList(supplier="a", currency="EUR", offers=(Offer(sku="u113", price="20", lead_days=9),))
    quick = PriceList(supplier="b", currency="EUR", offers=(Offer(sku="u113", price="20.00", lead_days=1),))
    dear = PriceList(supplier="c", currency="EUR", offers=(Offer(sku="u113", price="20.01", lead_days=0),))
    assert found(sourced([unit_line()], [unit()], [dear, slow, quick], RULES)).supplier == "b"


def test_a_price_in_another_currency_is_named_and_not_converted() -> None:
    lists = [list_of("abroad", "CHF", u113="1"), list_of("home", "EUR", u113="25")]
    assert found(sourced([unit_line()], [unit()], lists, RULES)).supplier == "home"
    item = missed(sourced([unit_line()], [unit()], lists[:1], RULES))
    assert "abroad in CHF" in item.why
    assert "not converted" in item.why


def test_a_part_nobody_offers_is_missing_and_not_free() -> None:
    item = missed(sourced([unit_line()], [unit()], [list_of("s", other="1")], RULES))
    assert "u113" in item.why


def test_an_offer_under_another_trade_item_number_is_not_the_part() -> None:
    part = unit(gtin="2012345678903")
    offer = Offer(sku="u113", price="1", gtin="20000011")
    missed(sourced([unit_line()], [part], [PriceList(supplier="s", currency="EUR", offers=(offer,))], RULES))


def test_a_trade_item_number_is_the_same_with_leading_zeros() -> None:
    part = unit(gtin="040000001232")
    offer = Offer(sku="u113", price="1", gtin="0040000001232")
    found(sourced([unit_line()], [part], [PriceList(supplier="s", currency="EUR", offers=(offer,))], RULES))


def test_the_break_for_the_quantity_asked_for_sets_the_cost() -> None:
    breaks = (PriceBreak(quantity=1, price="1.50"), PriceBreak(quantity=2, price="1.20"))
    prices = PriceList(supplier="s", currency="EUR", offers=(Offer(sku="b8", breaks=breaks),))
    line = found(sourced([BOLTS], [BOLT], [prices], RULES))
    assert (line.quantity, line.unit_cost.amount) == (2, "1.20")


def test_a_break_for_more_than_is_asked_for_is_no_price() -> None:
    prices = PriceList(
        supplier="s", currency="EUR", offers=(Offer(sku="b8", breaks=(PriceBreak(quantity=10, price="1"),)),)
    )
    missed(sourced([BOLTS], [BOLT], [prices], RULES))


def test_what_the_shop_has_at_hand_is_not_bought() -> None:
    at_hand = msgspec.structs.replace(BOLTS, supply="shop")
    assert sourced([at_hand], [], [], RULES) == SourcedParts()


def test_a_part_no_line_describes_is_the_cheapest_of_its_role_or_missing() -> None:
    chains = [Part(sku=sku, name=sku, role="chain") for sku in ("c1", "c2")]
    assert found(for_role("chain", "New chain", chains, [list_of("s", c1="12", c2="9")], RULES)).sku == "c2"
    assert missed(for_role("chain", "New chain", [BOLT], [list_of("s", b8="1")], RULES)).what == "New chain"


def test_of_units_ordered_to_be_tried_the_dearest_is_charged_and_the_others_go_back() -> None:
    lines = [ordered("30", line=1, tried=True), ordered("35", line=2, tried=True), ordered("2", line=3)]
    kept = basket(lines)
    assert [line.line for line in kept.lines] == [2, 3]
    assert kept.returns == 1
    assert basket(lines[2:]).returns == 0


TIERS = [{"up_to": "10", "percent": "60"}, {"up_to": "100", "percent": "40"}, {"percent": "20"}]


# By hand: 7.35 * 1.60 = 11.76. 10.00 * 1.60 = 16.00, the top of the first tier. 11.00 * 1.40 = 15.40, less than that
# top, so 16.00. 50.00 * 1.40 = 70.00. 100.01 * 1.20 = 120.012, less than 100 * 1.40. 200 * 1.20 = 240.
# 0.55 * 1.60 = 0.88. 12.35 * 1.40 = 17.29. 2.51 * 1.60 = 4.016.
@pytest.mark.parametrize(
    ("cost", "price"),
    [
        ("7.35", "11.76"),
        ("10.00", "16.00"),
        ("11.00", "16.00"),
        ("50.00", "70.00"),
        ("100.01", "140.00"),
        ("200", "240.00"),
        ("0.55", "0.88"),
        ("12.35", "17.29"),
        ("2.51", "4.02"),
        ("0", "0.00"),
    ],
)
def test_the_tier_of_the_cost_marks_it_up_but_never_below_a_lower_tier(cost: str, price: str) -> None:
    assert selling_price(Decimal(cost), rules(markup=TIERS)).amount == price


# 2.50 * 1.05 = 2.625: between two coins.
@pytest.mark.parametrize(("mode", "price"), [("half_even", "2.62"), ("half_up", "2.63")])
def test_half_a_coin_of_a_marked_up_price_goes_where_the_shop_says(mode: str, price: str) -> None:
    held = rules(markup=[{"percent": "5"}], rounding={"mode": mode})
    assert selling_price(Decimal("2.50"), held).amount == price


def test_without_a_markup_a_part_is_sold_at_its_cost() -> None:
    assert selling_price(Decimal("7.35"), RULES).amount == "7.35"


@given(st.decimals(0, 300, places=2), st.decimals(0, 300, places=2), st.integers(0, 200), st.integers(0, 200))
def test_a_dearer_part_is_never_sold_for_less(one: Decimal, other: Decimal, first: int, second: int) -> None:
    held = rules(markup=[{"up_to": "50", "percent": str(first)}, {"percent": str(second)}])
    low, high = sorted((one, other))
    assert selling_price(low, held).decimal <= selling_price(high, held).decimal
