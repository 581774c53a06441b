"""Orders and their changes as documents of UBL 2.1.

OASIS Universal Business Language Version 2.1, OASIS Standard, 4 November 2013 (ISO/IEC 19845:2015): Order, Order Change
and Order Cancellation. Units are of UNECE Recommendation 20; a trade item number has the scheme 0160 of ISO/IEC 6523
(GTIN). Every member of this service's own document has one place in it; elements stand in the order of the schema.
"""

from collections.abc import Iterator
from typing import Final
from xml.etree import ElementTree as ET

from msgspec import UnsetType

from cotterline.bench.money import Money, in_minor_units, of_minor_units
from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument, OrderLine
from cotterline.bench.parts_list import ItemProperty, Measure, Quantity
from cotterline.documents.xml_text import xml_text

XML: Final = "application/xml"
_UBL: Final = "urn:oasis:names:specification:ubl:schema:xsd:"
_CAC: Final = f"{{{_UBL}CommonAggregateComponents-2}}"
_CBC: Final = f"{{{_UBL}CommonBasicComponents-2}}"
_VERSION: Final = "2.1"
_GTIN: Final = "0160"
_PIECES: Final = "C62"
_STATUS: Final = {
    "take_substitute": "Revised",
    "take_price": "Revised",
    "refuse": "Disputed",
    "cancel": "Cancelled",
    "return": "Revised",
}
"""Codes of UBL's own list LineStatusCode 2.1 for what becomes of a line; our own word stands in the line's note."""

ET.register_namespace("cac", _CAC[1:-1])
ET.register_namespace("cbc", _CBC[1:-1])
ET.register_namespace("order", f"{_UBL}Order-2")
ET.register_namespace("change", f"{_UBL}OrderChange-2")
ET.register_namespace("cancellation", f"{_UBL}OrderCancellation-2")


def order_xml(order: OrderDocument) -> bytes:
    """The order as a UBL Order."""
    root = _root("Order")
    _basic(root, "ID", str(order.order_id))
    _basic(root, "UUID", str(order.order_id))
    _basic(root, "IssueDate", order.ordered_on.isoformat())
    for words in _order_notes(order):
        _basic(root, "Note", words)
    _basic(root, "DocumentCurrencyCode", order.currency)
    if not isinstance(order.reference, UnsetType):
        _basic(root, "CustomerReference", order.reference)
    _basic(root, "LineCountNumeric", str(len(order.lines)))
    if not isinstance(order.replaces, UnsetType):
        before = _aggregate(root, "OrderDocumentReference")
        _basic(before, "ID", str(order.replaces))
    quote = _aggregate(root, "OriginatorDocumentReference")
    _basic(quote, "ID", str(order.quote_id))
    _basic(quote, "VersionID", str(order.quote_revision))
    _parties(root, order, order.reply_to)
    _delivery(root, order)
    total = _aggregate(root, "AnticipatedMonetaryTotal")
    _amount(total, "LineExtensionAmount", order.goods_total)
    _amount(total, "PayableAmount", order.goods_total)
    for line in order.lines:
        _order_line(root, line, order)
    return _written(root)


def change_xml(change: OrderChangeDocument, order: OrderDocument) -> bytes:
    """The change as a UBL Order Change, or a UBL Order Cancellation where it gives up the whole order."""
    return _cancellation(change, order) if _gives_up_all(change, order) else _order_change(change, order)


def _order_change(change: OrderChangeDocument, order: OrderDocument) -> bytes:
    root = _root("OrderChange")
    _basic(root, "ID", str(change.change_id))
    _basic(root, "UUID", str(change.change_id))
    _basic(root, "IssueDate", change.changed_on.isoformat())
    _basic(root, "SequenceNumberID", str(change.number))
    if change.note:
        _basic(root, "Note", change.note)
    _basic(root, "DocumentCurrencyCode", order.currency)
    _basic(root, "LineCountNumeric", str(len(change.changes)))
    _order_reference(root, order)
    _parties(root, order, change.reply_to)
    by_number = {line.number: line for line in order.lines}
    for item in change.changes:
        _changed_line(root, item, by_number[item.line])
    return _written(root)


def _cancellation(change: OrderChangeDocument, order: OrderDocument) -> bytes:
    root = _root("OrderCancellation")
    _basic(root, "ID", str(change.change_id))
    _basic(root, "UUID", str(change.change_id))
    _basic(root, "IssueDate", change.changed_on.isoformat())
    reasons = dict.fromkeys(words for item in change.changes for words in item.reasons)
    for words in filter(None, (change.note, *reasons)):
        _basic(root, "Note", words)
    _basic(root, "CancellationNote", "The whole order is cancelled.")
    _order_reference(root, order)
    _parties(root, order, change.reply_to)
    return _written(root)


def _gives_up_all(change: OrderChangeDocument, order: OrderDocument) -> bool:
    given_up = {item.line: item.quantity for item in change.changes if item.change == "cancel"}
    return all(given_up.get(line.number, 0) >= line.quantity.value for line in order.lines)


def _order_notes(order: OrderDocument) -> Iterator[str]:
    if not isinstance(order.override, UnsetType):
        yield f"Ordered although a check stood against it, on the shop's own word: {order.override}"
    if not isinstance(order.replaces, UnsetType):
        yield f"Revision {order.revision}: takes the place of order {order.replaces}, whose part did not fit."
    if order.returns:
        yield f"Of the lines that are returnable {order.returns} will come back."


def _order_line(root: ET.Element, line: OrderLine, order: OrderDocument) -> None:
    outer = _aggregate(root, "OrderLine")
    if line.note:
        _basic(outer, "Note", line.note)
    item = _aggregate(outer, "LineItem")
    _basic(item, "ID", str(line.number))
    _quantity(item, "Quantity", line.quantity)
    units = in_minor_units(line.unit_price.amount, order.currency) * line.quantity.value
    _amount(item, "LineExtensionAmount", of_minor_units(int(units), order.currency))
    price = _aggregate(item, "Price")
    _amount(price, "PriceAmount", line.unit_price)
    _quantity(price, "BaseQuantity", Quantity(1))
    _item(item, line)
    if line.parts_line:
        reference = _aggregate(item, "LineReference")
        _basic(reference, "LineID", str(line.parts_line))
        _basic(_aggregate(reference, "DocumentReference"), "ID", str(order.quote_id))


def _changed_line(root: ET.Element, change: LineChange, line: OrderLine) -> None:
    outer = _aggregate(root, "OrderLine")
    for words in change.reasons:
        _basic(outer, "Note", words)
    item = _aggregate(outer, "LineItem")
    _basic(item, "ID", str(change.line))
    _basic(item, "Note", change.change)
    _basic(item, "LineStatusCode", _STATUS[change.change])
    _quantity(item, "Quantity", Quantity(change.quantity))
    _item(item, line)


def _item(parent: ET.Element, line: OrderLine) -> None:
    item = _aggregate(parent, "Item")
    _basic(item, "Name", line.name)
    _basic(_aggregate(item, "BuyersItemIdentification"), "ID", line.sku)
    _basic(_aggregate(item, "SellersItemIdentification"), "ID", line.code)
    if not isinstance(line.gtin, UnsetType):
        _basic(_aggregate(item, "StandardItemIdentification"), "ID", line.gtin, schemeID=_GTIN)
    for each in line.properties:
        _property(item, each)
    if line.returnable:
        extra = _aggregate(item, "AdditionalItemProperty")
        _basic(extra, "Name", "returnable")
        _basic(extra, "Value", "true")


def _property(parent: ET.Element, stated: ItemProperty) -> None:
    """A property with its value, and what may stand in: a range, or every word that is accepted."""
    found = _aggregate(parent, "AdditionalItemProperty")
    _basic(found, "Name", stated.name)
    if isinstance(stated, Measure):
        _basic(found, "Value", _number(stated.value))
        _basic(found, "ValueQuantity", _number(stated.value), unitCode=stated.unit_code)
        span = _aggregate(found, "ItemPropertyRange")
        _basic(span, "MinimumValue", _number(stated.lowest))
        _basic(span, "MaximumValue", _number(stated.highest))
        return
    _basic(found, "Value", stated.value)
    for word in stated.accepted:
        _basic(found, "ListValue", word)


def _parties(root: ET.Element, order: OrderDocument, reply_to: str | UnsetType) -> None:
    buyer = _aggregate(root, "BuyerCustomerParty")
    if not isinstance(order.customer_number, UnsetType):
        _basic(buyer, "SupplierAssignedAccountID", order.customer_number)
    party = _aggregate(buyer, "Party")
    if not isinstance(reply_to, UnsetType):
        _basic(party, "EndpointID", reply_to)
    _basic(_aggregate(party, "PartyName"), "Name", order.shop)
    seller = _aggregate(_aggregate(root, "SellerSupplierParty"), "Party")
    _basic(_aggregate(seller, "PartyName"), "Name", order.supplier)


def _delivery(root: ET.Element, order: OrderDocument) -> None:
    days = {"RequestedDeliveryPeriod": order.needed_by, "EstimatedDeliveryPeriod": order.expected_on}
    known = {name: day for name, day in days.items() if not isinstance(day, UnsetType)}
    delivery = _aggregate(root, "Delivery") if known else root
    for name, day in known.items():
        _basic(_aggregate(delivery, name), "EndDate", day.isoformat())


def _order_reference(root: ET.Element, order: OrderDocument) -> None:
    reference = _aggregate(root, "OrderReference")
    _basic(reference, "ID", str(order.order_id))
    _basic(reference, "UUID", str(order.order_id))
    _basic(reference, "IssueDate", order.ordered_on.isoformat())
    if not isinstance(order.reference, UnsetType):
        _basic(reference, "CustomerReference", order.reference)


def _root(name: str) -> ET.Element:
    root = ET.Element(f"{{{_UBL}{name}-2}}{name}")
    _basic(root, "UBLVersionID", _VERSION)
    return root


def _written(root: ET.Element) -> bytes:
    written: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return written


def _aggregate(parent: ET.Element, name: str) -> ET.Element:
    return ET.SubElement(parent, _CAC + name)


def _basic(parent: ET.Element, name: str, text: str, **attributes: str) -> None:
    ET.SubElement(parent, _CBC + name, attributes).text = xml_text(text)


def _amount(parent: ET.Element, name: str, money: Money) -> None:
    _basic(parent, name, money.amount, currencyID=money.currency)


def _quantity(parent: ET.Element, name: str, quantity: Quantity) -> None:
    _basic(parent, name, str(quantity.value), unitCode=quantity.unit_code)


def _number(value: float) -> str:
    """Digits without an exponent: XML Schema's decimal has none."""
    return f"{value:.6f}".rstrip("0").rstrip(".")
