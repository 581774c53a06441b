"""An order goes out in its supplier's form, the same from the same, to the byte."""

from datetime import date

import msgspec
import pytest
from lxml import etree

from cotterline.bench.errors import CotterlineError
from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument
from cotterline.bench.suppliers import Mapped, OwnJson, Ubl
from cotterline.documents.order_body import change_body, order_body
from tests.bench.order_cases import QUOTE, line, order

ORDER = order(line(), line(2))
CHANGE = OrderChangeDocument(
    order_id=ORDER.order_id,
    change_id=QUOTE,
    changed_on=date(2026, 11, 30),
    supplier=ORDER.supplier,
    shop=ORDER.shop,
    changes=(LineChange(line=1, change="cancel", quantity=1),),
)
CODES = Mapped(expression="{codes: lines[].code}")


def test_our_own_json_is_the_document_itself() -> None:
    body = order_body(ORDER, OwnJson())
    assert body.content_type == "application/json"
    assert msgspec.json.decode(body.content, type=OrderDocument) == ORDER
    told = change_body(CHANGE, ORDER, OwnJson())
    assert msgspec.json.decode(told.content, type=OrderChangeDocument) == CHANGE


def test_ubl_is_xml_of_the_kind_the_document_is() -> None:
    body, told = order_body(ORDER, Ubl()), change_body(CHANGE, ORDER, Ubl())
    assert {body.content_type, told.content_type} == {"application/xml"}
    names = [etree.QName(etree.fromstring(each.content)).localname for each in (body, told)]
    assert names == ["Order", "OrderChange"]


def test_a_mapping_is_the_suppliers_own_json() -> None:
    assert order_body(ORDER, CODES) == ("application/json", b'{"codes":["C1","C2"]}')


def test_a_change_has_an_expression_of_its_own_or_goes_out_in_our_json() -> None:
    assert change_body(CHANGE, ORDER, CODES) == change_body(CHANGE, ORDER, OwnJson())
    both = msgspec.structs.replace(CODES, changes="{off: changes[?change=='cancel'].line}")
    assert change_body(CHANGE, ORDER, both) == ("application/json", b'{"off":[1]}')


def test_a_mapping_that_makes_nothing_is_refused_where_it_stands() -> None:
    with pytest.raises(CotterlineError) as caught:
        order_body(ORDER, Mapped(expression="nothing"), "/body")
    assert [fault.pointer for fault in caught.value.faults] == ["/body/expression"]
    with pytest.raises(CotterlineError) as caught:
        change_body(CHANGE, ORDER, msgspec.structs.replace(CODES, changes="nothing"), "/body")
    assert [fault.pointer for fault in caught.value.faults] == ["/body/changes"]


@pytest.mark.parametrize("form", [OwnJson(), Ubl(), CODES])
def test_the_same_document_gives_the_same_bytes(form: OwnJson | Ubl | Mapped) -> None:
    assert order_body(ORDER, form) == order_body(ORDER, form)
