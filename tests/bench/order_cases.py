"""Orders and replies for the tests, built from a few words. Every name and figure is invented."""

from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec

from cotterline.bench.money import Money
from cotterline.bench.orders import OrderDocument, OrderLine, goods_total
from cotterline.bench.parts_list import ItemProperty, Quantity
from cotterline.bench.replies import Decision, HeardReply, OrderStanding, Reply, Statement
from cotterline.bench.standing import standing

MORNING = datetime(2026, 11, 27, 8, 0, tzinfo=UTC)
QUOTE = UUID("018f4e3a-0000-7000-8000-000000000001")


def eur(amount: str) -> Money:
    """So many euros."""
    return Money(amount=amount, currency="EUR")


def line(number: int = 1, quantity: int = 1, price: str = "20.00", **other: Any) -> OrderLine:  # noqa: ANN401 - any member of a line
    """A line of an order."""
    body: dict[str, Any] = {"code": f"C{number}", "sku": f"S{number}", "name": f"Part {number}", "parts_line": number}
    return OrderLine(number=number, quantity=Quantity(quantity), unit_price=eur(price), **(body | other))


def order(*lines: OrderLine, **other: Any) -> OrderDocument:  # noqa: ANN401 - any member of an order
    """An order of these lines, or of one piece of one part."""
    listed = lines or (line(),)
    body: dict[str, Any] = {
        "order_id": UUID("018f4e3a-0000-7000-8000-000000000002"),
        "ordered_on": date(2026, 11, 27),
        "shop": "Sluice gate cycles",
        "supplier": "Upper lock depot",
        "quote_id": QUOTE,
        "quote_revision": 1,
        "currency": "EUR",
        "goods_total": goods_total(listed),
    }
    return OrderDocument(lines=listed, **(body | other))


def heard(name: str, *says: dict[str, Any], minute: int = 0, sequence: int | None = None) -> HeardReply:
    """A reply as it is kept, its statements as a supplier writes them."""
    statements = tuple(msgspec.convert(item, Statement) for item in says)
    counted: dict[str, Any] = {} if sequence is None else {"sequence": sequence}
    reply = Reply(at=MORNING + timedelta(minutes=minute), says=statements, **counted)
    return HeardReply(message_id=name, reply=reply)


def decided(name: str, about: str, number: int = 1, *, taken: bool) -> Decision:
    """A decision by somebody."""
    body = {"message_id": name, "line": number, "about": about, "taken": taken, "by": "key 7"}
    return msgspec.convert(body, Decision)


def stands(*replies: HeardReply, of: OrderDocument | None = None, **other: Any) -> OrderStanding:  # noqa: ANN401 - any argument
    """Where an order that was sent stands after these replies."""
    return standing(of or order(), other.pop("outcome", "sent"), replies, **other)


def with_properties(*properties: ItemProperty) -> OrderLine:
    """A line that must have these."""
    return line(properties=properties)
