"""What is sent to a program under trial: invented events and orders, each new one with an id of its own."""

from collections.abc import Sequence
from datetime import datetime
from itertools import count
from typing import Final, NamedTuple, Protocol
from uuid import uuid4

import msgspec
from msgspec import UNSET

from cotterline.api.event_examples import change_example, event_example
from cotterline.api.order_examples import example_document
from cotterline.bench.events import EVENT_TYPES, EventType
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


class Subject(Protocol):
    """Makes messages of one kind."""

    def fresh(self) -> Message:
        """Return a message that was never sent."""


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
        reply_to: where replies go; none are asked for where it is empty.
    """

    def __init__(self, form: BodyForm, reply_to: str = "") -> None:
        self._form = form
        self._reply_to = reply_to

    def fresh(self) -> Message:
        """Return an order that was never sent."""
        return self.changed()[0]

    def changed(self) -> tuple[Message, Message, Message]:
        """Return an order that was never sent, another body under its id, and what gives up one of its lines."""
        order = msgspec.structs.replace(
            example_document(), order_id=uuid4(), shop=SHOP, reply_to=self._reply_to or UNSET, reference="trial"
        )
        other = msgspec.structs.replace(order, reference="another body under the same id")
        change = msgspec.structs.replace(
            change_example(), order_id=order.order_id, change_id=uuid4(), shop=SHOP, reply_to=order.reply_to
        )
        name = message_id(order.order_id)
        first, second = order_body(order, self._form), order_body(other, self._form)
        third = change_body(change, order, self._form)
        return (
            Message(name, *first),
            Message(name, *second),
            Message(message_id(change.change_id), *third),
        )

    def unknown(self) -> Message:
        """Return an order of a part that nobody has."""
        order = example_document()
        line = msgspec.structs.replace(order.lines[0], code=UNKNOWN_CODE, gtin=UNSET)
        order = msgspec.structs.replace(
            order, order_id=uuid4(), shop=SHOP, lines=(line, *order.lines[1:]), reply_to=self._reply_to or UNSET
        )
        return Message(message_id(order.order_id), *order_body(order, self._form))
