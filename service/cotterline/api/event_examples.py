"""An invented example of each type of event and of each thing a supplier can say, all about the same order."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID

import msgspec

from cotterline.api.fit_report_examples import example_told
from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.order_examples import DEARER, DISPATCHED, NAME, example_document, example_row, example_supplier
from cotterline.api.quote_run_examples import example_cancelled_run, example_run
from cotterline.api.quotes import EXAMPLE_NOW, example_quote
from cotterline.api.recheck_visit_examples import example_visit
from cotterline.api.told_events import EVENT_KINDS, Trial
from cotterline.bench.events import EVENT_TYPES, EventType, resource_of
from cotterline.bench.money import Money
from cotterline.bench.orders import LineChange, OrderChangeDocument
from cotterline.bench.parts_list import Measure
from cotterline.bench.quote_life import QuoteState
from cotterline.bench.replies import (
    Accepted,
    Backordered,
    Decision,
    Dispatched,
    PriceChanged,
    Rejected,
    Reply,
    Returned,
    Statement,
    Substituted,
)
from cotterline.bench.subscriptions import Subscription
from cotterline.delivery.order_events import whole
from cotterline.delivery.quote_events import QuoteNow, quote_now
from cotterline.delivery.receiver_events import DisabledSubscription, DisabledSupplier
from cotterline.store.approvals import ApprovalRow
from cotterline.store.events import event_message_id
from cotterline.store.orders import OrderRow

_QUOTES: Final[Mapping[str, tuple[QuoteState, int]]] = {
    "created": ("draft", 1),
    "changed": ("draft", 2),
    "revised": ("draft", 3),
    "issued": ("issued", 2),
    "approved": ("approved", 3),
    "extended": ("approved", 4),
    "declined": ("declined", 3),
    "expired": ("expired", 3),
    "ordered": ("ordered", 4),
    "exchanged": ("ordered", 5),
    "closed": ("closed", 5),
    "erased": ("closed", 6),
}
"""State and version of the quote after each act."""

_AGREED: Final = {"approved", "extended", "ordered", "exchanged"}
_TAKEN: Final = Decision(
    message_id=DEARER.message_id,
    line=1,
    about="price",
    taken=True,
    by=EXAMPLE_ID,
    reasons=("The customer wants it all the same.",),
)
_CANCELLED: Final = LineChange(line=1, change="cancel", quantity=1, reasons=("The customer gave the job up.",))
_FAILED: Final = "five days of failures"

_SPINDLE: Final = Measure(name="spindle_length", value=122.5, lowest=122.5, highest=122.5)
STATEMENTS: Final[Mapping[str, Statement]] = {
    "accepted": Accepted(expected_on=date(2024, 5, 6)),
    "partly_accepted": Accepted(lines=(2,), quantity=1, expected_on=date(2024, 5, 6)),
    "backordered": Backordered(lines=(1,), expected_on=date(2024, 5, 24)),
    "price_changed": PriceChanged(lines=(1,), unit_price=Money(amount="33.40", currency="EUR")),
    "substituted": Substituted(
        lines=(1,), code="N-1225", name="Cartridge unit, spindle 122.5 mm", properties=(_SPINDLE,)
    ),
    "rejected": Rejected(lines=(1,), reason="Not in the catalogue any more."),
    "dispatched": Dispatched(tracking="NQ 4417"),
    "returned": Returned(lines=(1,), quantity=1),
}
"""One of each thing a supplier can say."""


def event_example(event: EventType) -> msgspec.Struct:
    """An event of a type, as it is posted."""
    data, sequence = _data(event)
    number = EVENT_TYPES.index(event) + 1
    return EVENT_KINDS[event](
        id=event_message_id(UUID(int=UUID(EXAMPLE_ID).int + number)),
        timestamp=EXAMPLE_NOW,
        position=number,
        sequence=sequence,
        data=data,
    )


def reply_example(says: str) -> Reply:
    """A reply that says one thing."""
    number = [*STATEMENTS].index(says) + 1
    return Reply(at=EXAMPLE_NOW + timedelta(hours=number), says=(STATEMENTS[says],), sequence=number)


def change_example() -> OrderChangeDocument:
    """A change of the order that the examples tell of."""
    order = example_document()
    return OrderChangeDocument(
        order_id=order.order_id,
        change_id=UUID(EXAMPLE_ID),
        changed_on=order.ordered_on,
        supplier=order.supplier,
        shop=order.shop,
        changes=(_CANCELLED,),
        reply_to=order.reply_to,
    )


def _data(event: EventType) -> tuple[msgspec.Struct, int]:
    """What an event tells of, and its version."""
    happened = event.partition(".")[2]
    if event == "test.sent":
        return Trial(subscription_id=UUID(EXAMPLE_ID)), 1
    match resource_of(event):
        case "quote":
            quote = _quote(happened)
            return quote, quote.version
        case "order":
            row = _order(happened)
            return whole(row), row.version
        case "fit_report" | "recheck_visit" as kind:
            return (example_told(), 1) if kind == "fit_report" else (example_visit("announced", 2), 2)
        case "quote_run":
            run = example_cancelled_run() if happened == "cancelled" else example_run()
            return run, run.version
        case "supplier" | "subscription" as kind:
            return (_supplier(EXAMPLE_NOW) if kind == "supplier" else _subscription(EXAMPLE_NOW)), 2


def _quote(happened: str) -> QuoteNow:
    state, version = _QUOTES[happened]
    expires = EXAMPLE_NOW + timedelta(days=30) if state == "issued" else EXAMPLE_NOW if state == "expired" else None
    row = msgspec.structs.replace(example_quote().quote, state=state, version=version, expires_at=expires)
    if happened == "erased":
        row = msgspec.structs.replace(row, reference=None, metadata=b"{}", erased_at=EXAMPLE_NOW)
    agreed = ApprovalRow(
        quote_id=row.id,
        version=version,
        revision=row.revision,
        ceiling="140.00",
        currency="EUR",
        options=b"[]",
        given_by="Ada Fell",
        how="telephone",
        at=EXAMPLE_NOW,
        actor=EXAMPLE_ID,
    )
    return quote_now(row, agreed if happened in _AGREED else None, EXAMPLE_NOW)


def _order(happened: str) -> OrderRow:
    match happened:
        case "placed":
            return example_row()
        case "sent":
            return example_row("sent")
        case "undelivered":
            return example_row("undelivered")
        case "replied":
            return example_row("sent", DISPATCHED)
        case "decided":
            return example_row("sent", DEARER, decisions=(_TAKEN,))
        case _:
            return example_row("sent", changes=(_CANCELLED,))


def _supplier(now: datetime) -> DisabledSupplier:
    return DisabledSupplier(
        version=2,
        disabled_at=now,
        disabled_why=_FAILED,
        failing_since=now - timedelta(days=5),
        supplier=NAME,
        content=example_supplier(),
    )


def _subscription(now: datetime) -> DisabledSubscription:
    return DisabledSubscription(
        version=2,
        disabled_at=now,
        disabled_why=_FAILED,
        failing_since=now - timedelta(days=5),
        subscription_id=UUID(EXAMPLE_ID),
        content=Subscription(endpoint="https://till.example/events"),
    )
