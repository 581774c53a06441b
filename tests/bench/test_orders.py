"""One order for each supplier, the same from the same, with what comes back and what is known of each line."""

from datetime import date
from typing import Any

import msgspec
import pytest

from cotterline.bench.orders import BySupplier, OrderDocument, order_documents, order_id
from tests.bench.order_cases import QUOTE
from tests.bench.ordering_cases import head, market, offers, request, supplier
from tests.bench.test_allotments import BOLTS, CHAIN, PAIR, allot, unit_of

BOTH: dict[str, Any] = {"u113": {"price": "18.00", "lead_days": 2}, "u110": {"price": "17.50", "lead_days": 3}}


def one(found: tuple[OrderDocument, ...]) -> OrderDocument:
    (document,) = found
    return document


def split() -> BySupplier:
    """Two suppliers: units here, bolts and chain there."""
    lists = offers("units", **BOTH), offers("bolts", b8={"price": "1.25", "lead_days": 1}, c8="9.00")
    return allot((*PAIR, BOLTS, CHAIN), market(*lists))


def test_the_lines_are_split_by_supplier_and_counted_from_one_in_each() -> None:
    found = order_documents(split(), head(["bolts", "units"]))
    assert [(item.supplier, [line.number for line in item.lines]) for item in found] == [
        ("bolts", [1, 2]),
        ("units", [1, 2]),
    ]
    assert [line.parts_line for line in found[0].lines] == [2, 0]
    assert [item.customer_number for item in found] == ["K-bolts", "K-units"]


def test_the_goods_come_to_the_sum_of_their_lines() -> None:
    """By hand: 18.00 + 17.50 = 35.50; 2 x 1.25 + 9.00 = 11.50."""
    found = order_documents(split(), head())
    assert [item.goods_total.amount for item in found] == ["11.50", "35.50"]
    assert {item.currency for item in found} == {"EUR"}


def test_of_two_lengths_of_one_supplier_one_comes_back_for_certain() -> None:
    document = one(order_documents(allot(PAIR, market(offers("a", **BOTH))), head()))
    assert document.returns == 1
    assert [line.returnable for line in document.lines] == [True, True]
    assert document.lines[0].note == "Ordered to be tried beside line 2: all of them but one come back."


def test_of_two_lengths_ordered_apart_each_order_says_that_its_own_may_come_back() -> None:
    apart = allot(PAIR, market(offers("a", u113="1.00"), offers("b", u110="1.00")))
    found = order_documents(apart, head())
    assert [item.returns for item in found] == [0, 0]
    words = "Ordered to be tried beside one ordered elsewhere: it comes back if that one fits."
    assert {item.lines[0].note for item in found} == {words}


def test_of_two_lengths_one_of_which_is_at_hand_the_other_may_come_back() -> None:
    document = one(order_documents(allot(PAIR, market(offers("a", **BOTH)), from_stock=[2]), head()))
    assert (document.returns, document.lines[0].note) == (0, "Ordered to be tried: it may come back.")


def test_a_length_to_be_tried_lets_no_other_stand_in() -> None:
    document = one(order_documents(allot(PAIR, market(offers("a", **BOTH))), head()))
    for line in document.lines:
        (length,) = [item for item in line.properties if item.name == "spindle_length"]
        assert msgspec.to_builtins(length)["lowest"] == msgspec.to_builtins(length)["highest"]


def test_an_order_is_expected_when_its_last_line_is_and_only_if_that_is_known() -> None:
    found = {item.supplier: item.expected_on for item in order_documents(split(), head())}
    assert found == {"units": date(2026, 11, 30), "bolts": msgspec.UNSET}


def test_the_same_quote_gives_the_same_bytes_and_another_version_another_order() -> None:
    first, again = (msgspec.json.encode(order_documents(split(), head())) for _ in range(2))
    assert first == again
    ids = {item.order_id for version in (4, 5) for item in order_documents(split(), head(quote_version=version))}
    assert len(ids) == 4


def test_an_order_is_named_by_quote_version_and_supplier_as_rfc_9562_does() -> None:
    """RFC 9562, 5.5: version 5, variant 10, of SHA-1 over the namespace and the name."""
    found = order_id(QUOTE, 4, "Upper lock depot")
    assert (found.version, found.variant) == (5, "specified in RFC 4122")
    assert found != order_id(QUOTE, 41, "Upper lock depot")


def test_no_two_pairs_of_version_and_supplier_run_into_one_name() -> None:
    assert order_id(QUOTE, 1, "1a") != order_id(QUOTE, 11, "a")
    assert order_id(QUOTE, 1, "1/1/a") != order_id(QUOTE, 1, "1/a")


def test_what_the_shop_said_of_the_order_is_printed_on_it() -> None:
    reason = "The customer has seen the thread and wants it."
    asked = request(override=reason, needed_by="2026-12-24")
    document = one(
        order_documents(
            allot((unit_of(113),), market(offers("a", **BOTH))),
            head(request=asked, reference="hook 7", reply_to=lambda name: f"https://shop.example/{name}"),
        )
    )
    assert (document.override, document.needed_by, document.reference) == (reason, date(2026, 12, 24), "hook 7")
    assert document.reply_to == f"https://shop.example/{document.order_id}"
    assert (document.shop, document.quote_revision, document.quote_id) == ("Sluice gate cycles", 2, QUOTE)


def test_a_document_reads_back_as_it_was_written() -> None:
    for document in order_documents(split(), head(["units"])):
        assert msgspec.json.decode(msgspec.json.encode(document), type=OrderDocument) == document


@pytest.mark.parametrize("code", ["0815", "ü-1"])
def test_the_suppliers_own_code_goes_before_the_shops(code: str) -> None:
    where = market(offers("a", **BOTH), suppliers={"a": supplier(their_codes={"u113": code})})
    line = one(order_documents(allot((unit_of(113),), where), head())).lines[0]
    assert (line.code, line.sku) == (code, "u113")
