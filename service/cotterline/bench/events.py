"""What a shop's other systems are told, each time with the full state of what it happened to."""

from typing import Final, Literal, get_args

EventType = Literal[
    "quote.created",
    "quote.changed",
    "quote.revised",
    "quote.issued",
    "quote.approved",
    "quote.extended",
    "quote.declined",
    "quote.expired",
    "quote.ordered",
    "quote.closed",
    "order.placed",
    "order.sent",
    "order.undelivered",
    "order.replied",
    "order.decided",
    "order.changed",
    "supplier.disabled",
    "subscription.disabled",
    "test.sent",
]
EVENT_TYPES: Final[tuple[EventType, ...]] = get_args(EventType)
ResourceKind = Literal["quote", "order", "supplier", "subscription"]
