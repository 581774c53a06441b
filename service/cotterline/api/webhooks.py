"""The ``webhooks`` of the API document: what is posted to subscriptions and to suppliers, and what comes back."""

from collections.abc import Iterator, Mapping
from typing import Any, Final

import msgspec

from cotterline.api.event_examples import STATEMENTS, change_example, event_example, reply_example
from cotterline.api.header_parameters import signature_parameters
from cotterline.api.order_examples import example_document
from cotterline.api.told_events import EVENT_KINDS
from cotterline.bench.events import MEANINGS
from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Reply
from cotterline.delivery.signatures import SIGNATURE

KINDS: Final[tuple[type[msgspec.Struct], ...]] = (*EVENT_KINDS.values(), OrderDocument, OrderChangeDocument, Reply)
"""What is posted, and what may be answered."""

_SIGNED: Final = (
    "Signed as Standard Webhooks 1.0 says; `webhook-id` stays the same at every try, so that what comes twice can be "
    "told. Tried again until it is answered with 2xx, or for three days and more."
)
_TAKEN: Final = "Anything from 200 to 299 says that it was taken."
_NOT_TAKEN: Final = (
    "Anything else says that it was not taken. It is tried again, save after 410: that says that nothing is to be "
    "posted there any more, and disables the receiver at once."
)
_REPLY_LATER: Final = {
    "callBack": {
        "operationId": "callBack",
        "parameters": {"order_id": "$request.body#/order_id"},
        "description": "Say later what becomes of it, as often as need be; `reply_to` is the address.",
    }
}


def webhooks(known: Mapping[Any, Any]) -> dict[str, Any]:
    """The section; ``known`` gives the schema of each struct of :data:`KINDS`."""
    found: dict[str, Any] = {}
    for event, kind in EVENT_KINDS.items():
        example = {"posted": {"summary": MEANINGS[event], "value": _json(event_example(event))}}
        operation = _operation(f"hear_{event}", "events", MEANINGS[event], _body(known[kind], example))
        found[event] = {"post": operation}
    order = {"order": {"summary": "Parts of one quote", "value": _json(example_document())}}
    change = {"cancel": {"summary": "A line is given up", "value": _json(change_example())}}
    posts = {
        "order": ("take_order", "An order for a supplier.", _body(known[OrderDocument], order)),
        "order-change": ("take_order_change", "A change of an order.", _body(known[OrderChangeDocument], change)),
    }
    for name, (operation_id, words, body) in posts.items():
        operation = _operation(operation_id, "orders", words, body)
        operation["description"] += (
            " A supplier set to take UBL 2.1 or a form of its own is sent that instead. A reply may be the answer "
            "itself, or come later."
        )
        operation["responses"]["2XX"] |= {
            "content": _body(known[Reply], _replies()),
            "links": _REPLY_LATER,
        }
        found[name] = {"post": operation}
    return found


def _operation(operation_id: str, tag: str, words: str, body: dict[str, Any]) -> dict[str, Any]:
    name, *more = operation_id.replace(".", "_").split("_")
    return {
        "operationId": name + "".join(map(str.capitalize, more)),
        "tags": [tag],
        "summary": words.rstrip("."),
        "description": _SIGNED,
        "parameters": [*_parameters()],
        "security": [],
        "requestBody": {"required": True, "content": body},
        "responses": {"2XX": {"description": _TAKEN}, "default": {"description": _NOT_TAKEN}},
    }


def _parameters() -> Iterator[dict[str, Any]]:
    """The headers of a post; to a receiver without a secret it goes unsigned."""
    for parameter in signature_parameters():
        yield parameter | {"required": parameter["name"] != SIGNATURE}


def _replies() -> dict[str, Any]:
    return {
        says: {"summary": says.replace("_", " ").capitalize(), "value": _json(reply_example(says))}
        for says in STATEMENTS
    }


def _body(schema: Any, examples: dict[str, Any]) -> dict[str, Any]:  # noqa: ANN401 - any schema
    return {"application/json": {"schema": schema, "examples": examples}}


def _json(value: msgspec.Struct) -> Any:  # noqa: ANN401 - any JSON value
    return msgspec.json.decode(msgspec.json.encode(value))
