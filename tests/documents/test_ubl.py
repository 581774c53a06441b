"""Orders and their changes are documents of UBL 2.1, with every member in one place.

The schemas are those of "OASIS Universal Business Language Version 2.1", OASIS Standard, 4 November 2013, taken from
the folder that UBL_SCHEMA_DIR names: the folder ``xsd`` of the published package UBL-2.1.zip.
"""

import os
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument
from cotterline.bench.parts_list import Measure, Text
from cotterline.documents.ubl import change_xml, order_xml
from tests.bench.order_cases import line, order

SPACES = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
UNIT = line(
    code="0815",
    price="18.50",
    gtin="2000000000015",
    returnable=True,
    note="To be tried.",
    properties=(
        Measure(name="spindle_length", value=113, lowest=110.5, highest=115.25),
        Text(name="spindle_taper", value="jis", accepted=("jis", "iso")),
    ),
)
BOLTS = line(2, quantity=2, price="1.25", parts_line=0)
BEFORE = UUID("018f4e3a-0000-7000-8000-000000000004")
FULL = order(
    UNIT,
    BOLTS,
    returns=1,
    customer_number="K 7",
    reference="hook 7",
    needed_by=date(2026, 12, 4),
    expected_on=date(2026, 12, 1),
    override="The customer has seen it and wants it.",
    replaces=BEFORE,
    revision=2,
    reply_to="https://shop.example/v1/orders/2/callbacks",
)
CHANGE = UUID("018f4e3a-0000-7000-8000-000000000003")
CANCEL_ALL = (LineChange(line=1, change="cancel", quantity=1), LineChange(line=2, change="cancel", quantity=2))


@cache
def schema(name: str) -> etree.XMLSchema:
    folder = os.environ.get("UBL_SCHEMA_DIR")
    if not folder:
        pytest.skip("UBL_SCHEMA_DIR names no folder: download UBL-2.1.zip of docs.oasis-open.org, its folder xsd")
    return etree.XMLSchema(etree.parse(Path(folder) / "maindoc" / f"UBL-{name}-2.1.xsd"))


def read(written: bytes, name: str) -> etree._Element:
    """The document, once its schema allows it."""
    root = etree.fromstring(written)
    schema(name).assertValid(root)
    return root


def found(root: etree._Element, path: str) -> list[str]:
    """The text of every element or attribute at a path."""
    nodes = root.xpath(path, namespaces=SPACES)
    assert isinstance(nodes, list)
    return [node.text or "" if isinstance(node, etree._Element) else str(node) for node in nodes]


def change(*changes: LineChange, **other: Any) -> OrderChangeDocument:  # noqa: ANN401 - any member of a change
    body: dict[str, Any] = {
        "order_id": FULL.order_id,
        "change_id": CHANGE,
        "changed_on": date(2026, 11, 30),
        "supplier": FULL.supplier,
        "shop": FULL.shop,
        "number": 3,
    }
    return OrderChangeDocument(changes=changes, **(body | other))


@pytest.mark.parametrize("document", [FULL, order()], ids=["full", "least"])
def test_an_order_is_what_the_schema_asks_for(document: OrderDocument) -> None:
    read(order_xml(document), "Order")


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("cbc:UBLVersionID", ["2.1"]),
        ("cbc:ID", [str(FULL.order_id)]),
        ("cbc:UUID", [str(FULL.order_id)]),
        ("cbc:IssueDate", ["2026-11-27"]),
        ("cbc:DocumentCurrencyCode", ["EUR"]),
        ("cbc:CustomerReference", ["hook 7"]),
        ("cbc:LineCountNumeric", ["2"]),
        ("cac:OrderDocumentReference/cbc:ID", [str(BEFORE)]),
        ("cac:OriginatorDocumentReference/cbc:ID", [str(FULL.quote_id)]),
        ("cac:OriginatorDocumentReference/cbc:VersionID", ["1"]),
        ("cac:BuyerCustomerParty/cbc:SupplierAssignedAccountID", ["K 7"]),
        ("cac:BuyerCustomerParty/cac:Party/cac:PartyName/cbc:Name", ["Sluice gate cycles"]),
        ("cac:BuyerCustomerParty/cac:Party/cbc:EndpointID", ["https://shop.example/v1/orders/2/callbacks"]),
        ("cac:SellerSupplierParty/cac:Party/cac:PartyName/cbc:Name", ["Upper lock depot"]),
        ("cac:Delivery/cac:RequestedDeliveryPeriod/cbc:EndDate", ["2026-12-04"]),
        ("cac:Delivery/cac:EstimatedDeliveryPeriod/cbc:EndDate", ["2026-12-01"]),
        ("cac:AnticipatedMonetaryTotal/cbc:LineExtensionAmount", ["21.00"]),
        ("cac:AnticipatedMonetaryTotal/cbc:PayableAmount", ["21.00"]),
        ("cac:AnticipatedMonetaryTotal/cbc:PayableAmount/@currencyID", ["EUR"]),
        ("//cac:LineItem/cbc:ID", ["1", "2"]),
        ("//cac:LineItem/cbc:Quantity", ["1", "2"]),
        ("//cac:LineItem/cbc:Quantity/@unitCode", ["C62", "C62"]),
        ("//cac:LineItem/cbc:LineExtensionAmount", ["18.50", "2.50"]),
        ("//cac:Price/cbc:PriceAmount", ["18.50", "1.25"]),
        ("//cac:Price/cbc:PriceAmount/@currencyID", ["EUR", "EUR"]),
        ("//cac:Price/cbc:BaseQuantity", ["1", "1"]),
        ("//cac:Item/cbc:Name", ["Part 1", "Part 2"]),
        ("//cac:BuyersItemIdentification/cbc:ID", ["S1", "S2"]),
        ("//cac:SellersItemIdentification/cbc:ID", ["0815", "C2"]),
        ("//cac:StandardItemIdentification/cbc:ID[@schemeID='0160']", ["2000000000015"]),
        ("//cac:LineItem/cac:LineReference/cbc:LineID", ["1"]),
        ("//cac:OrderLine/cbc:Note", ["To be tried."]),
        ("//cac:AdditionalItemProperty/cbc:Name", ["spindle_length", "spindle_taper", "returnable"]),
        ("//cac:AdditionalItemProperty/cbc:Value", ["113", "jis", "true"]),
        ("//cac:AdditionalItemProperty/cbc:ValueQuantity", ["113"]),
        ("//cac:AdditionalItemProperty/cbc:ValueQuantity/@unitCode", ["MMT"]),
        ("//cac:ItemPropertyRange/cbc:MinimumValue", ["110.5"]),
        ("//cac:ItemPropertyRange/cbc:MaximumValue", ["115.25"]),
        ("//cac:AdditionalItemProperty/cbc:ListValue", ["jis", "iso"]),
    ],
)
def test_every_member_of_an_order_is_found_in_its_place(path: str, expected: list[str]) -> None:
    assert found(etree.fromstring(order_xml(FULL)), path) == expected


def test_an_override_what_it_replaces_and_what_comes_back_are_said_on_the_order() -> None:
    override, replaced, returns = found(etree.fromstring(order_xml(FULL)), "cbc:Note")
    assert "The customer has seen it and wants it." in override
    assert replaced == f"Revision 2: takes the place of order {BEFORE}, whose part did not fit."
    assert returns == "Of the lines that are returnable 1 will come back."
    assert found(etree.fromstring(order_xml(order())), "cbc:Note") == []


def test_every_member_of_the_document_leaves_a_trace() -> None:
    """Change any one member, and the XML is another: nothing is left out."""
    others: dict[str, Any] = {
        "order_id": CHANGE,
        "ordered_on": date(2020, 1, 1),
        "shop": "x",
        "supplier": "x",
        "quote_id": CHANGE,
        "quote_revision": 9,
        "currency": "CHF",
        "lines": (UNIT,),
        "goods_total": msgspec.structs.replace(FULL.goods_total, amount="9.99"),
        "returns": 0,
        "customer_number": "x",
        "reference": "x",
        "needed_by": date(2020, 1, 1),
        "expected_on": date(2020, 1, 1),
        "override": "x",
        "replaces": CHANGE,
        "revision": 3,
        "reply_to": "x",
    }
    assert set(others) == set(OrderDocument.__struct_fields__)
    same = [
        name
        for name, value in others.items()
        if order_xml(msgspec.structs.replace(FULL, **{name: value})) == order_xml(FULL)
    ]
    assert same == []


def test_every_member_of_a_line_leaves_a_trace() -> None:
    others: dict[str, Any] = {
        "number": 9,
        "parts_line": 9,
        "code": "x",
        "sku": "x",
        "name": "x",
        "quantity": BOLTS.quantity,
        "unit_price": BOLTS.unit_price,
        "gtin": "20000011",
        "properties": UNIT.properties[:1],
        "returnable": False,
        "note": "x",
    }
    assert set(others) == set(UNIT.__struct_fields__)
    plain = order_xml(order(UNIT))
    for name, value in others.items():
        other = msgspec.structs.replace(order(UNIT), lines=(msgspec.structs.replace(UNIT, **{name: value}),))
        assert order_xml(other) != plain, name


@pytest.mark.parametrize(
    ("broken", "by"),
    [(b"<cbc:IssueDate>2026-11-27</cbc:IssueDate>", b""), (b"<cbc:ID>", b"<cbc:Name>x</cbc:Name><cbc:ID>"),
     (b"2026-11-27", b"27.11.2026"), (b'unitCode="C62"', b'unit="C62"'), (b"cac:LineItem>", b"cac:Lines>"),
     (b">18.50<", b">18,50<")],
)  # fmt: skip
def test_a_document_that_is_broken_is_refused_by_the_schema(broken: bytes, by: bytes) -> None:
    """So that the tests above mean something."""
    written = order_xml(FULL)
    assert broken in written
    assert not schema("Order").validate(etree.fromstring(written.replace(broken, by)))


def test_a_change_is_what_the_schema_asks_for_with_every_line_in_its_place() -> None:
    told = change(
        LineChange(line=1, change="take_substitute", quantity=1, reasons=("It fits.", "It costs 18.00 EUR.")),
        LineChange(line=2, change="refuse", quantity=2),
        note="By telephone.",
        reply_to="https://shop.example/callbacks",
    )
    root = read(change_xml(told, FULL), "OrderChange")
    assert found(root, "cbc:ID") == [str(CHANGE)]
    assert found(root, "cbc:IssueDate") == ["2026-11-30"]
    assert found(root, "cbc:SequenceNumberID") == ["3"]
    assert found(root, "cbc:Note") == ["By telephone."]
    assert found(root, "cac:OrderReference/cbc:ID") == [str(FULL.order_id)]
    assert found(root, "cac:BuyerCustomerParty/cac:Party/cbc:EndpointID") == ["https://shop.example/callbacks"]
    assert found(root, "//cac:LineItem/cbc:ID") == ["1", "2"]
    assert found(root, "//cac:LineItem/cbc:Note") == ["take_substitute", "refuse"]
    assert found(root, "//cac:LineItem/cbc:LineStatusCode") == ["Revised", "Disputed"]
    assert found(root, "//cac:LineItem/cbc:Quantity") == ["1", "2"]
    assert found(root, "//cac:OrderLine[1]/cbc:Note") == ["It fits.", "It costs 18.00 EUR."]
    assert found(root, "//cac:SellersItemIdentification/cbc:ID") == ["0815", "C2"]


@pytest.mark.parametrize("kind", ["take_substitute", "take_price", "refuse", "cancel", "return"])
def test_a_change_of_one_line_is_an_order_change_whatever_it_is(kind: str) -> None:
    told = change(msgspec.convert({"line": 2, "change": kind, "quantity": 1}, LineChange))
    root = read(change_xml(told, FULL), "OrderChange")
    assert found(root, "//cac:LineItem/cbc:Note") == [kind]


def test_the_whole_order_given_up_is_a_cancellation() -> None:
    told = change(*(msgspec.structs.replace(item, reasons=("The job is off.",)) for item in CANCEL_ALL), note="Sorry.")
    root = read(change_xml(told, FULL), "OrderCancellation")
    assert found(root, "cbc:ID") == [str(CHANGE)]
    assert found(root, "cbc:CancellationNote") == ["The whole order is cancelled."]
    assert found(root, "cbc:Note") == ["Sorry.", "The job is off."]
    assert found(root, "cac:OrderReference/cbc:ID") == [str(FULL.order_id)]


@pytest.mark.parametrize(
    "changes",
    [
        CANCEL_ALL[:1],
        (CANCEL_ALL[0], LineChange(line=2, change="cancel", quantity=1)),
        (CANCEL_ALL[0], LineChange(line=2, change="return", quantity=2)),
    ],
)
def test_less_than_the_whole_order_given_up_is_an_order_change(changes: tuple[LineChange, ...]) -> None:
    read(change_xml(change(*changes), FULL), "OrderChange")


ODD = st.one_of(
    st.text(min_size=1, max_size=30),
    st.sampled_from(
        ["]]>", "<!--", "&amp;", "<x>", "\x00", "a\x0bb", "🚲", "\u2028", "\ufffe", "'\"", "&#0;", " ", "\r\n"]
    ),
)


@given(ODD, ODD, ODD, ODD)
def test_whatever_people_write_the_document_stays_valid_and_says_it(
    name: str, note: str, reference: str, code: str
) -> None:
    odd = msgspec.structs.replace(UNIT, name=name, note=note, code=code)
    root = read(order_xml(order(odd, reference=reference, override=note)), "Order")
    for path, text in (("//cac:Item/cbc:Name", name), ("cbc:CustomerReference", reference)):
        (said,) = found(root, path)
        # XML 1.0, 2.2: characters it cannot hold; 2.11: a reader makes every end of line one line feed.
        kept = [char if char in "\t\n\r" or (char >= " " and char not in "\ufffe\uffff") else "\ufffd" for char in text]
        assert said == "".join(kept).replace("\r\n", "\n").replace("\r", "\n")


@given(st.floats(-1e6, 1e6).map(lambda value: round(value, 4)))
def test_every_dimension_is_a_decimal_number_and_reads_back(value: float) -> None:
    exact = Measure(name="spindle_length", value=value, lowest=value, highest=value)
    root = read(order_xml(order(line(properties=(exact,)))), "Order")
    assert [float(text) for text in found(root, "//cbc:ValueQuantity | //cbc:MinimumValue")] == [value, value]
