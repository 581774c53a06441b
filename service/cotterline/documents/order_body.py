"""An order, or a change of one, as the bytes its supplier is sent."""

from typing import Final, NamedTuple, assert_never

import msgspec
from msgspec import UnsetType

from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.suppliers import BodyForm, Mapped, OwnJson, Ubl
from cotterline.documents.mapping import mapped
from cotterline.documents.ubl import XML, change_xml, order_xml

JSON: Final = "application/json"


class Body(NamedTuple):
    """What is posted, and what it is."""

    content_type: str
    content: bytes


def order_body(order: OrderDocument, form: BodyForm, pointer: str = "") -> Body:
    """The order in a supplier's form; the same from the same, to the byte.

    Args:
        order: what is ordered.
        form: in which it goes out.
        pointer: where the form stands in a request, for faults.

    Raises:
        CotterlineError: ``impossible-value`` where a mapping makes nothing of it that can be sent.
    """
    own = msgspec.json.encode(order)
    match form:
        case OwnJson():
            return Body(JSON, own)
        case Ubl():
            return Body(XML, order_xml(order))
        case Mapped():
            return Body(JSON, mapped(own, form.expression, f"{pointer}/expression"))
        case _:
            assert_never(form)


def change_body(change: OrderChangeDocument, order: OrderDocument, form: BodyForm, pointer: str = "") -> Body:
    """A change of ``order`` in a supplier's form; arguments and refusals as for :func:`order_body`."""
    own = msgspec.json.encode(change)
    match form:
        case OwnJson():
            return Body(JSON, own)
        case Ubl():
            return Body(XML, change_xml(change, order))
        case Mapped():
            if isinstance(form.changes, UnsetType):
                return Body(JSON, own)
            return Body(JSON, mapped(own, form.changes, f"{pointer}/changes"))
        case _:
            assert_never(form)
