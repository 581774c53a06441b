"""Events as they go over the wire: what stands around each, and one type of its own for each type of event."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Final, Union
from uuid import UUID

import msgspec
from msgspec import Meta

from cotterline.bench.events import EVENT_TYPES, MEANINGS, EventType
from cotterline.delivery.fit_report_events import FitReport
from cotterline.delivery.order_events import Order
from cotterline.delivery.quote_events import QuoteNow
from cotterline.delivery.quote_run_events import QuoteRun
from cotterline.delivery.receiver_events import DisabledSubscription, DisabledSupplier
from cotterline.delivery.recheck_visit_events import RecheckVisit

MessageId = Annotated[str, Meta(pattern=r"^evt_[0-9a-f]{32}(?![\s\S])", max_length=36)]


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """What a test event tells of: nothing but where it went.

    Attributes:
        subscription_id: the subscription it was asked for.
    """

    subscription_id: UUID


class ToldEvent(msgspec.Struct, frozen=True, kw_only=True):
    """Something that happened, as it is posted and as it is read: the same bytes.

    Attributes:
        id: names the event; the ``webhook-id`` of every post of it.
        timestamp: when it happened.
        position: counts the shop's events in this mode from 1, without a gap.
        sequence: version of the thing it happened to; of two events about one thing the greater is the later.
    """

    id: MessageId
    timestamp: datetime
    position: int
    sequence: int


_DATA: Final[Mapping[str, Any]] = {
    "quote": Annotated[QuoteNow, Meta(description="The quote after it.")],
    "order": Annotated[Order, Meta(description="The order after it.")],
    "fit_report": Annotated[FitReport, Meta(description="The report.")],
    "recheck_visit": Annotated[RecheckVisit, Meta(description="The visit after it.")],
    "quote_run": Annotated[QuoteRun, Meta(description="The run after it.")],
    "supplier": Annotated[DisabledSupplier, Meta(description="The supplier after it.")],
    "subscription": Annotated[DisabledSubscription, Meta(description="The subscription after it.")],
    "test": Annotated[Trial, Meta(description="Which subscription it was sent to.")],
}


def _kind(event: EventType) -> type[msgspec.Struct]:
    thing, _, happened = event.partition(".")
    return msgspec.defstruct(
        "".join(map(str.capitalize, (*thing.split("_"), happened, "event"))),
        [("data", _DATA[thing])],
        bases=(ToldEvent,),
        module=__name__,
        namespace={"__doc__": MEANINGS[event]},
        tag_field="type",
        tag=event,
        frozen=True,
        kw_only=True,
    )


EVENT_KINDS: Final[Mapping[EventType, type[msgspec.Struct]]] = {event: _kind(event) for event in EVENT_TYPES}
"""The type of each type of event."""

AnyEvent: Final[Any] = Union[tuple(EVENT_KINDS.values())]  # noqa: UP007 - a union of types made at run time
