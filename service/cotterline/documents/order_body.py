"""An order, or a change of one, as the bytes its supplier is sent."""

from typing import Final, NamedTuple

import msgspec

from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.suppliers import BodyForm

JSON: Final = "application/json"


class Body(NamedTuple):
    """What is posted, and what it is."""

    content_type: str
    content: bytes


def order_body(order: OrderDocument, form: BodyForm) -> Body:
    """The order in a supplier's form; the same from the same, to the byte."""
    return Body(JSON, msgspec.json.encode(order))


def change_body(change: OrderChangeDocument, order: OrderDocument, form: BodyForm) -> Body:
    """A change of ``order`` in a supplier's form."""
    return Body(JSON, msgspec.json.encode(change))
