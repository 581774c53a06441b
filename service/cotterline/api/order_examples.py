"""An invented order for the API document, worked out from the example of a quote, so that what it shows is true."""

import functools
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final
from uuid import UUID

import msgspec
from msgspec import UNSET

from cotterline.api import examples
from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.parts import Catalogue
from cotterline.api.quotes import EXAMPLE_NOW, example_quote
from cotterline.bench.allotments import Market, allotted
from cotterline.bench.money import Money
from cotterline.bench.order_needs import KeptResult, needed
from cotterline.bench.orders import LineChange, OrderDocument, OrderHead, OrderRequest, order_documents
from cotterline.bench.pricing.catalogue import PriceList
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.replies import Decision, Dispatched, HeardReply, PriceChanged, Reply
from cotterline.bench.standing import Outcome, standing
from cotterline.bench.suppliers import Supplier
from cotterline.bench.workshop import Workshop
from cotterline.store.orders import OrderRow

NAME: Final = "north depot"
DISPATCHED: Final = HeardReply(
    message_id="msg_2vK1",
    reply=Reply(at=EXAMPLE_NOW + timedelta(hours=2), says=(Dispatched(tracking="NQ 4417"),), sequence=2),
)
DEARER: Final = HeardReply(
    message_id="msg_2vJ9",
    reply=Reply(
        at=EXAMPLE_NOW + timedelta(hours=1),
        says=(PriceChanged(lines=(1,), unit_price=Money(amount="99.00", currency="EUR")),),
        sequence=1,
    ),
)


@functools.cache
def example_supplier() -> Supplier:
    """A supplier that takes orders in JSON."""
    found = examples.typed("supplier", Supplier)
    return msgspec.structs.replace(found, body=Supplier(endpoint=found.endpoint).body)


@functools.cache
def example_document() -> OrderDocument:
    """What the example of a quote orders, by the examples of a catalogue and a price list."""
    parts = examples.typed("parts", Catalogue).parts
    workshop = Workshop(parts=parts, price_lists=(examples.typed("price_list", PriceList),))
    held = example_quote()
    revision = held.revision
    kept = msgspec.json.decode(revision.result, type=KeptResult)
    request = msgspec.json.decode(revision.request, type=QuoteRequest)
    needs = needed(kept, request, (), workshop)
    suppliers = {NAME: example_supplier()}
    market = Market(
        parts=workshop.parts,
        price_lists=workshop.price_lists,
        currency=workshop.profile.currency,
        suppliers=suppliers,
        clocks={NAME: EXAMPLE_NOW},
    )
    asked = examples.typed("order", OrderRequest)
    head = OrderHead(
        quote_id=UUID(EXAMPLE_ID),
        quote_version=3,
        quote_revision=1,
        shop="Tide mill",
        ordered_on=date(2024, 5, 1),
        request=asked,
        suppliers=suppliers,
        reference=held.quote.reference or UNSET,
        reply_to=lambda order_id: f"https://bench.example/v1/orders/{order_id}/callbacks",
    )
    (document,) = order_documents(allotted(needs.lines, asked, market, needs.options_after), head)
    return document


def example_row(
    outcome: Outcome = "waiting",
    *heard: HeardReply,
    decisions: Sequence[Decision] = (),
    changes: Sequence[LineChange] = (),
) -> OrderRow:
    """The example as it is kept after some replies, and what was made of them."""
    document = example_document()
    stands = standing(document, outcome, heard, decisions, changes)
    return OrderRow(
        id=document.order_id,
        created_at=EXAMPLE_NOW,
        actor=EXAMPLE_ID,
        quote_id=document.quote_id,
        quote_revision=document.quote_revision,
        supplier=document.supplier,
        state=stands.state,
        version=1 + len(heard) + len(decisions) + len(changes) + (outcome != "waiting"),
        open_questions=len(stands.questions),
        outcome=outcome,
        document=msgspec.json.encode(document),
        standing=msgspec.json.encode(stands),
    )
