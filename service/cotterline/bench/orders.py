"""What is ordered of whom: the approved parts list, split by supplier, as one document for each.

A document's lines keep the properties and ranges of the parts list they come from, so that the supplier can propose a
substitute and the service can judge it by the very figures that were approved.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Literal
from uuid import UUID, uuid5

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.gtin import Gtin
from cotterline.bench.money import Money, in_minor_units, of_minor_units
from cotterline.bench.parts_list import ItemProperty, PartsLine, Quantity
from cotterline.bench.pricing.catalogue import Sku
from cotterline.bench.shop import NO_NUL
from cotterline.bench.suppliers import Supplier

Sourcing = Literal["cheapest", "soonest"]
Reason = Annotated[str, Meta(min_length=10, max_length=500, pattern=NO_NUL)]


class OrderRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the parts of an approved quote are to be ordered.

    Attributes:
        sourcing: whether the cheapest offer is taken, or the one that is here soonest; the very part asked for goes
            before one that stands in either way.
        needed_by: the last day on which a part is of use; offers known to come later are passed over.
        from_stock: lines of the parts list that the shop has at hand and does not order; parts of options are counted
            on behind its last line.
        override: why the parts are ordered although the result does not allow it, in a person's own words; kept in
            the audit trail and printed on the order.
    """

    sourcing: Sourcing = "cheapest"
    needed_by: date | UnsetType = UNSET
    from_stock: Annotated[tuple[Annotated[int, Meta(ge=1, le=200)], ...], Meta(max_length=200)] = ()
    override: Reason | UnsetType = UNSET


class OrderLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of an order.

    Attributes:
        number: counted from 1 within the order.
        parts_line: number of the line in the quote's parts list; 0 for a part of an option.
        code: what the supplier calls the part, or else the shop's number for it.
        sku: the shop's number for it.
        gtin: its trade item number.
        name: of the part.
        quantity: pieces.
        unit_price: what the supplier asks for one, by its price list.
        properties: what it must be, and what may stand in.
        returnable: whether it is ordered to be tried; all but one of such lines come back.
        note: what to know about it.
    """

    number: int
    parts_line: int
    code: str
    sku: Sku
    name: str
    quantity: Quantity
    unit_price: Money
    gtin: Gtin | UnsetType = UNSET
    properties: tuple[ItemProperty, ...] = ()
    returnable: bool = False
    note: str = ""


class OrderDocument(
    msgspec.Struct, tag_field="document", tag="order", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """An order as it goes to one supplier.

    Attributes:
        order_id: names it for good; an order that comes twice under one id is one order.
        ordered_on: the day it was placed, in UTC.
        shop: the shop's name.
        supplier: the shop's name for the supplier.
        customer_number: what the supplier calls the shop.
        reference: the shop's own name for the job.
        quote_id: the quote it comes from.
        quote_revision: its revision.
        currency: of every price.
        lines: in order of number.
        returns: how many of the lines marked returnable come back for certain, once one of them was found to fit; where
            the other was ordered elsewhere, the line's note says that it may.
        needed_by: the last day on which the parts are of use.
        expected_on: when they are expected by the supplier's lead time and business days.
        goods_total: sum of the lines, before whatever the supplier adds.
        override: why the parts are ordered although a check stood against it; the shop answers for it.
        replaces: the order whose part did not fit and goes back; this one takes its place.
        revision: counts from 1 each time an order takes another's place.
        reply_to: where replies go.
    """

    order_id: UUID
    ordered_on: date
    shop: str
    supplier: str
    quote_id: UUID
    quote_revision: int
    currency: str
    lines: tuple[OrderLine, ...]
    goods_total: Money
    returns: int = 0
    customer_number: str | UnsetType = UNSET
    reference: str | UnsetType = UNSET
    needed_by: date | UnsetType = UNSET
    expected_on: date | UnsetType = UNSET
    override: str | UnsetType = UNSET
    replaces: UUID | UnsetType = UNSET
    revision: int = 1
    reply_to: str | UnsetType = UNSET


class LineChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What becomes of one line.

    Attributes:
        line: its number in the order.
        change: ``take_substitute`` or ``take_price`` accepts what the supplier proposed and ``refuse`` does not;
            ``cancel`` gives up what has not been dispatched; ``return`` announces that pieces come back.
        quantity: pieces it is about.
        reasons: in words, with numbers.
    """

    line: int
    change: Literal["take_substitute", "take_price", "refuse", "cancel", "return"]
    quantity: int
    reasons: tuple[str, ...] = ()


class OrderChangeDocument(
    msgspec.Struct, tag_field="document", tag="order_change", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """What the shop tells the supplier about an order it has placed.

    Attributes:
        order_id: the order.
        change_id: names the change for good.
        changed_on: the day, in UTC.
        supplier: the shop's name for the supplier.
        shop: the shop's name.
        changes: one or more.
        number: of the change, counted from 1 within the order.
        note: the shop's own words.
        reply_to: where replies go.
    """

    order_id: UUID
    change_id: UUID
    changed_on: date
    supplier: str
    shop: str
    changes: tuple[LineChange, ...]
    number: int = 1
    note: str = ""
    reply_to: str | UnsetType = UNSET


class Allotment(msgspec.Struct, frozen=True, kw_only=True):
    """A line that is needed, with the part and the supplier that answer it.

    Attributes:
        need: what is needed.
        line: as it will be ordered; its number is given by the order.
        supplier: of whom.
        lead_days: business days until it is here, where known.
        expected_on: the day that comes to.
    """

    need: PartsLine
    line: OrderLine
    supplier: str
    lead_days: int | UnsetType = UNSET
    expected_on: date | UnsetType = UNSET


BySupplier = Mapping[str, tuple[Allotment, ...]]
"""What is ordered of each supplier, by its name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderHead:
    """What the orders of one quote have in common.

    Attributes:
        quote_id: the quote.
        quote_version: that was seen when the orders were placed; with the supplier it names each order for good.
        quote_revision: whose parts list was approved.
        shop: the shop's name.
        ordered_on: the day, in UTC.
        request: how the parts are to be ordered.
        suppliers: by name; of each its customer number is printed.
        reference: the shop's own name for the job.
        replaces: the order they take the place of.
        revision: counts from 1 each time an order takes another's place.
        reply_to: where replies about an order go, by its id.
    """

    quote_id: UUID
    quote_version: int
    quote_revision: int
    shop: str
    ordered_on: date
    request: OrderRequest
    suppliers: Mapping[str, Supplier]
    reference: str | UnsetType = UNSET
    replaces: UUID | UnsetType = UNSET
    revision: int = 1
    reply_to: Callable[[UUID], str] | None = None


def order_id(quote_id: UUID, quote_version: int, supplier: str) -> UUID:
    """The id of the order that a version of a quote places with a supplier (RFC 9562, version 5).

    >>> quote = UUID("018f4e3a-0000-7000-8000-000000000001")
    >>> order_id(quote, 4, "Upper lock depot") == order_id(quote, 4, "Upper lock depot")
    True
    """
    return uuid5(quote_id, f"{quote_version}/{supplier}")


def order_documents(allotments: BySupplier, head: OrderHead) -> tuple[OrderDocument, ...]:
    """One order for each supplier, in the order of their names; the same from the same, to the byte."""
    tried = sum(item.line.returnable for items in allotments.values() for item in items)
    return tuple(_document(supplier, allotments[supplier], head, tried) for supplier in sorted(allotments))


def _document(supplier: str, items: Sequence[Allotment], head: OrderHead, tried: int) -> OrderDocument:
    name = order_id(head.quote_id, head.quote_version, supplier)
    known = head.suppliers.get(supplier)
    numbered = [msgspec.structs.replace(item.line, number=number) for number, item in enumerate(items, 1)]
    together = [line.number for line in numbered if line.returnable]
    days = [item.expected_on for item in items]
    return OrderDocument(
        order_id=name,
        ordered_on=head.ordered_on,
        shop=head.shop,
        supplier=supplier,
        quote_id=head.quote_id,
        quote_revision=head.quote_revision,
        currency=numbered[0].unit_price.currency,
        lines=tuple(_with_note(line, together, tried) for line in numbered),
        goods_total=goods_total(numbered),
        returns=max(len(together) - 1, 0),
        customer_number=UNSET if known is None else known.customer_number,
        reference=head.reference,
        needed_by=head.request.needed_by,
        expected_on=max((day for day in days if not isinstance(day, UnsetType)), default=UNSET)
        if not any(isinstance(day, UnsetType) for day in days)
        else UNSET,
        override=head.request.override,
        replaces=head.replaces,
        revision=head.revision,
        reply_to=UNSET if head.reply_to is None else head.reply_to(name),
    )


def goods_total(lines: Sequence[OrderLine]) -> Money:
    """What the lines come to, in their one currency.

    >>> bolt = OrderLine(
    ...     number=1, parts_line=2, code="B", sku="B", name="Bolt", quantity=Quantity(2),
    ...     unit_price=Money(amount="1.25", currency="EUR"),
    ... )
    >>> goods_total([bolt]).amount
    '2.50'
    """
    currency = lines[0].unit_price.currency
    units = sum(in_minor_units(line.unit_price.amount, currency) * line.quantity.value for line in lines)
    return of_minor_units(int(units), currency)


def _with_note(line: OrderLine, together: Sequence[int], tried: int) -> OrderLine:
    """The line with what becomes of it, where it is ordered to be tried."""
    if not line.returnable:
        return line
    beside = [str(number) for number in together if number != line.number]
    if beside:
        words = f"Ordered to be tried beside line {', '.join(beside)}: all of them but one come back."
    elif tried > 1:
        words = "Ordered to be tried beside one ordered elsewhere: it comes back if that one fits."
    else:
        words = "Ordered to be tried: it may come back."
    return msgspec.structs.replace(line, note=f"{line.note} {words}".strip())
