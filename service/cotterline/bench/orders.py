"""What is ordered of whom: the approved parts list, split by supplier, as one document for each.

A document's lines keep the properties and ranges of the parts list they come from, so that the supplier can propose a
substitute and the service can judge it by the very figures that were approved.
"""

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.money import Money
from cotterline.bench.parts_list import ItemProperty, PartsLine, Quantity
from cotterline.bench.pricing.catalogue import Gtin, Sku
from cotterline.bench.shop import NO_NUL

Sourcing = Literal["cheapest", "soonest"]
Reason = Annotated[str, Meta(min_length=10, max_length=500, pattern=NO_NUL)]


class OrderRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How the parts of an approved quote are to be ordered.

    Attributes:
        sourcing: whether the cheapest offer is taken, or the one that is here soonest; the very part asked for goes
            before one that stands in either way.
        needed_by: the last day on which a part is of use; offers known to come later are passed over.
        from_stock: lines of the parts list that the shop has at hand and does not order.
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
        returns: how many of the lines marked returnable come back once one of them was found to fit.
        needed_by: the last day on which the parts are of use.
        expected_on: when they are expected by the supplier's lead time and business days.
        goods_total: sum of the lines, before whatever the supplier adds.
        override: why the parts are ordered although a check stood against it; the shop answers for it.
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
        note: the shop's own words.
        reply_to: where replies go.
    """

    order_id: UUID
    change_id: UUID
    changed_on: date
    supplier: str
    shop: str
    changes: tuple[LineChange, ...]
    note: str = ""
    reply_to: str | UnsetType = UNSET


class Allotment(msgspec.Struct, frozen=True, kw_only=True):
    """A line that is needed, with the part and the supplier that answer it.

    Attributes:
        need: what is needed.
        line: as it will be ordered; its number is given by the order.
        supplier: of whom.
        lead_days: business days until it is here, where known.
    """

    need: PartsLine
    line: OrderLine
    supplier: str
    lead_days: int | UnsetType = UNSET


BySupplier = Mapping[str, tuple[Allotment, ...]]
