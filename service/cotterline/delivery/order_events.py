"""Orders as they are told: in full, to whoever reads one and to whoever subscribed to what happens to it."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from cotterline.bench.events import EventType
from cotterline.bench.orders import OrderDocument
from cotterline.bench.replies import OrderStanding, OrderState
from cotterline.store import events
from cotterline.store.database import WriteTransaction
from cotterline.store.orders import OrderEntry, OrderRow, Outcome


class ToldOrder(msgspec.Struct, frozen=True, kw_only=True):
    """What a list tells of an order.

    Attributes:
        id: names the order.
        created_at: when it was placed.
        by: id of the key it was placed with.
        quote_id: the quote it comes from.
        quote_revision: its revision.
        supplier: the shop's name for the supplier.
        state: where it stands, in one word.
        outcome: what became of its post.
        open_questions: how many wait for a person.
    """

    id: UUID
    created_at: datetime
    by: str
    quote_id: UUID
    quote_revision: int
    supplier: str
    state: OrderState
    outcome: Outcome
    open_questions: int


class Order(ToldOrder, frozen=True, kw_only=True):
    """An order in full.

    Attributes:
        version: counts every change of where it stands, from 1.
        document: what was ordered, as it went out.
        standing: where it stands, line by line, with what is asked of the shop.
    """

    version: int
    document: OrderDocument
    standing: OrderStanding


def told(row: OrderEntry) -> ToldOrder:
    """What a list tells of an order."""
    return ToldOrder(**_told(row))


def whole(row: OrderRow) -> Order:
    """An order in full."""
    return Order(**facts(row))


def facts(row: OrderRow) -> dict[str, Any]:
    """The members of an order in full."""
    return _told(row) | {
        "version": row.version,
        "document": document_of(row),
        "standing": msgspec.json.decode(row.standing, type=OrderStanding),
    }


def document_of(row: OrderRow) -> OrderDocument:
    """What was ordered."""
    return msgspec.json.decode(row.document, type=OrderDocument)


async def tell(tx: WriteTransaction, type_: EventType, row: OrderRow, at: datetime) -> None:
    """Keep that something happened to an order, which is now as in ``row``, and put it out to who wants to know."""
    await events.emit(tx, type_, "order", row.id, row.version, at, whole(row))


def _told(row: OrderEntry) -> dict[str, Any]:
    own = (name for name in ToldOrder.__struct_fields__ if name != "by")
    return {name: getattr(row, name) for name in own} | {"by": row.actor}
