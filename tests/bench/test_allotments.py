"""Each line goes to the supplier the order asks for: the cheapest or the soonest, in stock and in time."""

from datetime import date
from decimal import Decimal
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.allotments import Market, allotted
from cotterline.bench.errors import CotterlineError
from cotterline.bench.orders import Allotment, BySupplier
from cotterline.bench.parts_list import Measure, PartsLine, Quantity, Text
from tests.bench.ordering_cases import market, offers, parts, request, supplier
from tests.bench.pricing_cases import unit_line

BOLTS = PartsLine(
    number=2,
    role="crank_bolts",
    supply="order",
    name="Crank bolts",
    quantity=Quantity(2),
    properties=(Text(name="thread", value="M8 x 1", accepted=("M8 x 1",)),),
    note="Both ends alike.",
)
CHAIN = PartsLine(number=9, role="chain", supply="order", name="Chain", quantity=Quantity(1))


def unit_of(
    length: float, number: int = 1, low: float | None = None, high: float | None = None, *, tried: bool = False
) -> PartsLine:
    """A unit with JIS ends."""
    line = unit_line(length, low or length, high or length, tried=tried)
    properties = tuple(
        Text(name="spindle_taper", value="jis", accepted=("jis",)) if item.name == "spindle_taper" else item
        for item in line.properties
    )
    return msgspec.structs.replace(line, number=number, properties=properties)


PAIR = (unit_of(113, tried=True), unit_of(110, 2, tried=True))


def allot(needs: tuple[PartsLine, ...], where: Market, **body: Any) -> BySupplier:  # noqa: ANN401 - any member of a request
    return allotted(needs, request(**body), where, options_after=8)


def only(found: BySupplier) -> Allotment:
    ((item,),) = found.values()
    return item


def refusal(needs: tuple[PartsLine, ...], where: Market, **body: Any) -> CotterlineError:  # noqa: ANN401 - as above
    with pytest.raises(CotterlineError) as caught:
        allot(needs, where, **body)
    return caught.value


def test_the_cheapest_offer_is_taken_unless_the_soonest_is_asked_for() -> None:
    where = market(
        offers("slow", u113={"price": "20.00", "lead_days": 9}),
        offers("quick", u113={"price": "22.00", "lead_days": 1}),
    )
    assert only(allot((unit_of(113),), where)).supplier == "slow"
    soonest = only(allot((unit_of(113),), where, sourcing="soonest"))
    assert (soonest.supplier, soonest.lead_days, soonest.expected_on) == ("quick", 1, date(2026, 11, 26))


def test_the_soonest_is_reckoned_by_each_suppliers_own_days() -> None:
    """Wednesday 25 November 2026: one business day of one that works on Mondays alone is 7 December."""
    where = market(
        offers("mondays", u113={"price": "1.00", "lead_days": 1}),
        offers("daily", u113={"price": "9.00", "lead_days": 4}),
        suppliers={"mondays": supplier(hours={"days": ["monday"]}), "daily": supplier()},
    )
    found = only(allot((unit_of(113),), where, sourcing="soonest"))
    assert (found.supplier, found.expected_on) == ("daily", date(2026, 12, 1))


def test_an_offer_whose_lead_time_nobody_knows_comes_behind_every_known_one() -> None:
    where = market(offers("a", u113="1.00"), offers("b", u113={"price": "9.00", "lead_days": 400}))
    assert only(allot((unit_of(113),), where, sourcing="soonest")).supplier == "b"


@pytest.mark.parametrize("sourcing", ["cheapest", "soonest"])
def test_the_very_part_goes_before_one_that_stands_in_however_cheap_or_soon(sourcing: str) -> None:
    where = market(offers("a", u113={"price": "30", "lead_days": 9}, u115={"price": "5", "lead_days": 0}))
    found = only(allot((unit_of(113, low=110, high=116),), where, sourcing=sourcing))
    assert found.line.sku == "u113"


def test_a_part_that_stands_in_is_ordered_as_what_it_is_with_the_range_that_was_approved() -> None:
    found = only(allot((unit_of(113, low=112, high=116),), market(offers("a", u115="20.00"))))
    (length,) = [item for item in found.line.properties if item.name == "spindle_length"]
    assert length == Measure(name="spindle_length", value=115, lowest=112, highest=116)
    assert found.line.note == "Stands in within what was approved: spindle length 115 mm for 113 mm."


def test_offers_with_too_little_in_stock_are_passed_over_and_unknown_stock_is_not() -> None:
    where = market(offers("few", b8={"price": "1.00", "stock": 1}), offers("unknown", b8="3.00"))
    assert only(allot((BOLTS,), where)).supplier == "unknown"
    enough = market(offers("two", b8={"price": "1.00", "stock": 2}), offers("unknown", b8="3.00"))
    assert only(allot((BOLTS,), enough)).supplier == "two"


def test_offers_known_to_come_too_late_are_passed_over() -> None:
    where = market(
        offers("late", u113={"price": "1.00", "lead_days": 4}), offers("timely", u113={"price": "9.00", "lead_days": 3})
    )
    assert only(allot((unit_of(113),), where, needed_by="2026-11-30")).supplier == "timely"
    assert only(allot((unit_of(113),), where, needed_by="2026-12-01")).supplier == "late"


def test_an_offer_whose_lead_time_nobody_knows_is_not_taken_to_come_too_late() -> None:
    assert only(allot((unit_of(113),), market(offers("a", u113="1.00")), needed_by="2026-11-26")).supplier == "a"


def test_every_line_nobody_offers_is_named_with_why() -> None:
    other = unit_of(120, 3)
    where = market(
        offers("a", b8={"price": "1", "stock": 1}, u110={"price": "1", "lead_days": 9}), offers("b", "CHF", u113="1")
    )
    needs = (unit_of(113), BOLTS, other, unit_of(110, 4), CHAIN)
    error = refusal(needs, where, needed_by="2026-11-27")
    assert error.code == "prices-missing"
    assert {fault.pointer for fault in error.faults} == {"/from_stock"}
    assert [fault.detail for fault in error.faults] == [
        "line 1, Cartridge unit: No price in EUR; offered by b in CHF. Prices are not converted.",
        "line 2, Crank bolts: No supplier has 2 in stock.",
        "line 3, Cartridge unit: No part in the catalogue has every property asked for.",
        "line 4, Cartridge unit: Nobody has it here by 2026-11-27; the soonest is 2026-12-08.",
        "line 9, Chain: No price list has a price for c8 in this quantity under the same trade item number.",
    ]


def test_a_supplier_nothing_can_be_ordered_of_is_passed_over_and_named_where_it_is_the_only_one() -> None:
    lists = offers("unknown", u113="1.00"), offers("known", u113="9.00")
    assert only(allot((unit_of(113),), market(*lists, suppliers={"known": supplier()}))).supplier == "known"
    error = refusal((unit_of(113),), market(*lists, suppliers={}))
    assert (error.code, error.detail) == ("supplier-missing", "Nothing can be ordered of: known, unknown.")


def test_two_lengths_to_be_tried_go_to_one_supplier_that_has_both() -> None:
    where = market(
        offers("first", u113="10.00"), offers("both", u113="15.00", u110="15.00"), offers("second", u110="10.00")
    )
    assert {name: len(items) for name, items in allot(PAIR, where).items()} == {"both": 2}


def test_of_several_that_have_both_lengths_the_cheaper_pair_or_the_sooner_pair_is_taken() -> None:
    where = market(
        offers("a", u113={"price": "1", "lead_days": 1}, u110={"price": "30", "lead_days": 1}),
        offers("b", u113={"price": "15", "lead_days": 2}, u110={"price": "15", "lead_days": 2}),
        offers("c", u113={"price": "2", "lead_days": 0}, u110={"price": "30", "lead_days": 5}),
    )
    assert list(allot(PAIR, where)) == ["b"]
    assert list(allot(PAIR, where, sourcing="soonest")) == ["a"]


def test_the_cheaper_of_two_pairs_is_reckoned_with_the_pieces_of_each_line() -> None:
    """By hand: 3 x 10 + 5 = 35 against 3 x 9 + 7 = 34."""
    three = msgspec.structs.replace(PAIR[0], quantity=Quantity(3))
    where = market(offers("a", u113="10", u110="5"), offers("b", u113="9", u110="7"))
    assert list(allot((three, PAIR[1]), where)) == ["b"]


def test_two_lengths_that_nobody_has_both_of_are_ordered_apart() -> None:
    found = allot(PAIR, market(offers("first", u113="10.00"), offers("second", u110="10.00")))
    assert {name: items[0].line.sku for name, items in found.items()} == {"first": "u113", "second": "u110"}


def test_what_the_shop_has_at_hand_is_not_ordered() -> None:
    where = market(offers("a", u113="10.00", b8="1.00", c8="9.00"))
    found = allot((unit_of(113), BOLTS, CHAIN), where, from_stock=[2, 9])
    assert [item.need.number for item in found["a"]] == [1]


@pytest.mark.parametrize(
    ("numbers", "pointers"),
    [([3], ["/from_stock/0"]), ([2, 2], ["/from_stock/1"]), ([1, 2], ["/from_stock"])],
)
def test_lines_at_hand_must_be_among_those_that_are_ordered_once_each_and_not_all(
    numbers: list[int], pointers: list[str]
) -> None:
    error = refusal((unit_of(113), BOLTS), market(offers("a", u113="1", b8="1")), from_stock=numbers)
    assert (error.code, [fault.pointer for fault in error.faults]) == ("impossible-value", pointers)


def test_a_line_is_written_with_the_suppliers_code_the_price_for_its_quantity_and_its_note() -> None:
    codes = {"a": supplier(their_codes={"b8": "0815"})}
    breaks = {"breaks": [{"quantity": 1, "price": "1.50"}, {"quantity": 2, "price": "1.20"}]}
    line = only(allot((BOLTS,), market(offers("a", b8=breaks), suppliers=codes))).line
    assert (line.code, line.sku, line.name, line.unit_price.amount) == ("0815", "b8", "Bolt", "1.20")
    assert (line.parts_line, line.quantity.value, line.note) == (2, 2, "Both ends alike.")
    assert line.properties == BOLTS.properties


def test_a_part_of_an_option_comes_from_no_line_of_the_parts_list() -> None:
    item = only(allot((CHAIN,), market(offers("a", c8="9.00"))))
    assert (item.line.parts_line, item.need.number, item.line.code) == (0, 9, "c8")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a", "b", "c", "d"]),
            st.sampled_from(["u110", "u113", "u115"]),
            st.integers(1, 40),
            st.one_of(st.none(), st.integers(0, 9)),
            st.one_of(st.none(), st.integers(0, 2)),
        ),
        max_size=12,
        unique_by=lambda each: each[:2],
    ),
    st.sampled_from(["cheapest", "soonest"]),
)
def test_no_other_offer_that_does_is_better_than_the_one_taken(
    found: list[tuple[str, str, int, int | None, int | None]], sourcing: str
) -> None:
    """Against every offer looked at one by one."""
    listed: dict[str, dict[str, Any]] = {}
    for name, sku, price, days, stock in found:
        said = {"price": f"{price}.00", "lead_days": days, "stock": stock}
        listed.setdefault(name, {})[sku] = {member: value for member, value in said.items() if value is not None}
    where = market(*(offers(name, **offered) for name, offered in listed.items()))
    lengths = {
        part.sku: part.spindle_length for part in parts() if not isinstance(part.spindle_length, msgspec.UnsetType)
    }
    usable = [each for each in found if each[4] != 0 and 112 <= lengths[each[1]] <= 116]
    need = unit_of(113, low=112, high=116)
    if not usable:
        refusal((need,), where, sourcing=sourcing)
        return
    taken = only(allot((need,), where, sourcing=sourcing))

    def place(each: tuple[str, str, int, int | None, int | None]) -> tuple[float, float, float]:
        away, days = abs(lengths[each[1]] - 113), 99 if each[3] is None else each[3]
        return (away, each[2], days) if sourcing == "cheapest" else (away, days, each[2])

    best = min(usable, key=lambda each: (place(each), each[0], each[1]))
    assert (taken.supplier, taken.line.sku) == best[:2]
    assert taken.line.unit_price.decimal == Decimal(best[2])
