"""What is sent to a program under trial: invented events and orders, each new one with an id of its own."""

from collections.abc import Sequence
from datetime import datetime
from itertools import count
from typing import Final, NamedTuple
from uuid import uuid4

import msgspec
from msgspec import UNSET

from cotterline.api.event_examples import change_example, event_example
from cotterline.api.order_examples import example_document
from cotterline.bench.events import EVENT_TYPES, EventType
from cotterline.bench.orders import OrderDocument
from cotterline.bench.suppliers import BodyForm
from cotterline.delivery.order_files import message_id
from cotterline.documents.order_body import JSON, change_body, order_body
from cotterline.store.events import event_message_id

SHOP: Final = "Conformance trial"
"""Whose orders are sent: nobody's."""

UNKNOWN_CODE: Final = "NO-SUCH-PART-0"
UNKNOWN_TYPE: Final = "bench.swept"


class Message(NamedTuple):
    """One message, before it is signed.

    Attributes:
        id: names it over every try.
        content_type: of its body.
        body: byte for byte.
    """

    id: str
    content_type: str
    body: bytes


class Events:
    """Events of an invented shop, as they are posted to its subscriptions."""

    def __init__(self, now: datetime) -> None:
        self._now = now
        self._positions = count(1)

    def fresh(self) -> Message:
        """Return an event that was never sent, of a type that every receiver must bear."""
        return self.of("quote.issued")

    def of(self, kind: EventType, **more: object) -> Message:
        """Return an event of a type, with other or further fields."""
        name = event_message_id(uuid4())
        told = msgspec.json.decode(msgspec.json.encode(event_example(kind)))
        told |= {"id": name, "timestamp": self._now.isoformat(), "position": next(self._positions)} | more
        return Message(name, JSON, msgspec.json.encode(told))

    def pair(self) -> tuple[Message, Message]:
        """Return two events of which the second happened first."""
        earlier, later = self.of("quote.issued"), self.of("quote.approved")
        return later, earlier

    def every(self) -> Sequence[Message]:
        """Return one event of each type."""
        return [self.of(kind) for kind in EVENT_TYPES]


class Orders:
    """Orders of an invented shop in one form.

    Args:
        form: of the body.
    """

    def __init__(self, form: BodyForm) -> None:
        self._form = form

    def fresh(self) -> Message:
        """Return an order that was never sent."""
        return self.changed()[0]

    def replied_to(self, place: str) -> Message:
        """Return an order that was never sent, replies to which go to a place as they go to the service."""
        order = _order()
        return self._message(msgspec.structs.replace(order, reply_to=f"{place}/v1/orders/{order.order_id}/callbacks"))

    def changed(self) -> tuple[Message, Message, Message]:
        """Return an order that was never sent, another body under its id, and what gives up one of its lines."""
        order = _order()
        other = msgspec.structs.replace(order, reference="another body under the same id")
        change = msgspec.structs.replace(
            change_example(), order_id=order.order_id, change_id=uuid4(), shop=SHOP, reply_to=UNSET
        )
        given_up = change_body(change, order, self._form)
        return self._message(order), self._message(other), Message(message_id(change.change_id), *given_up)

    def unknown(self) -> Message:
        """Return an order of a part that nobody has."""
        order = _order()
        line = msgspec.structs.replace(order.lines[0], code=UNKNOWN_CODE, gtin=UNSET)
        return self._message(msgspec.structs.replace(order, lines=(line, *order.lines[1:])))

    def _message(self, order: OrderDocument) -> Message:
        return Message(message_id(order.order_id), *order_body(order, self._form))


def _order() -> OrderDocument:
    """An order that was never sent, to which no reply is asked for."""
    return msgspec.structs.replace(example_document(), order_id=uuid4(), shop=SHOP, reply_to=UNSET, reference="trial")
