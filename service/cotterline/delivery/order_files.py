"""Everything kept about one order, held to the end of a transaction, and where the order stands by it."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from cotterline.bench.errors import CotterlineError
from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Decision, HeardReply, OrderStanding
from cotterline.bench.standing import Proposal, proposals, standing
from cotterline.bench.suppliers import Supplier
from cotterline.delivery.order_events import document_of
from cotterline.documents.order_body import change_body
from cotterline.store import deliveries, order_changes, order_decisions, order_replies, orders, receivers
from cotterline.store.database import WriteTransaction
from cotterline.store.deliveries import Delivery
from cotterline.store.order_changes import ChangeRow
from cotterline.store.order_decisions import KeptDecision
from cotterline.store.orders import OrderRow, Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderFile:
    """One order with all that was heard, decided and told since.

    Attributes:
        row: the order as it was kept last.
        document: what was ordered.
        replies: what the supplier said.
        decisions: what was made of it.
        changes: what the supplier was told later, line by line.
        told: how many messages told of them.
        supplier: as it is set now; None where the shop no longer has it.
    """

    row: OrderRow
    document: OrderDocument
    replies: tuple[HeardReply, ...] = ()
    decisions: tuple[Decision, ...] = ()
    changes: tuple[LineChange, ...] = ()
    told: int = 0
    supplier: Supplier | None = None

    @property
    def standing(self) -> OrderStanding:
        """Where the order stands by all of it."""
        return standing(self.document, self.row.outcome, self.replies, self.decisions, self.changes)

    @property
    def proposals(self) -> tuple[Proposal, ...]:
        """What the supplier proposed and nobody has decided, save for lines that were given up."""
        return proposals(self.document, self.replies, self.decisions, self.changes)

    def told_of(self, line: int, kind: Literal["cancel", "return"]) -> int:
        """How many pieces of a line the supplier was told that the shop gives up, or sends back."""
        return sum(change.quantity for change in self.changes if (change.line, change.change) == (line, kind))

    def left(self, line: int, kind: Literal["cancel", "return"]) -> int:
        """How many pieces of a line can still be given up, or sent back."""
        (stands,) = (each for each in self.standing.lines if each.line == line)
        due = stands.ordered - self.told_of(line, "cancel")
        if self.row.outcome == "cancelled":
            return 0
        if kind == "cancel":
            return max(due - stands.dispatched, 0)
        return max(due - max(stands.returned, self.told_of(line, "return")), 0)

    def with_outcome(self, outcome: Outcome) -> "OrderFile":
        """The file once something became of the order's post."""
        return replace(self, row=msgspec.structs.replace(self.row, outcome=outcome))


async def held(tx: WriteTransaction, order_id: UUID) -> OrderFile:
    """Read all that is kept about the tenant's order, and let nobody else change it until this transaction ends.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await orders.hold(tx, order_id)
    if row is None:
        raise CotterlineError("not-found", "No order has this id.")
    receiver = await receivers.get(tx, "supplier", row.supplier)
    told = await order_changes.every(tx, order_id)
    return OrderFile(
        row=row,
        document=document_of(row),
        replies=tuple(reply.heard for reply in await order_replies.every(tx, order_id)),
        decisions=tuple(kept.decision for kept in await order_decisions.every(tx, order_id)),
        changes=tuple(change for each in told for change in each.document.changes),
        told=len(told),
        supplier=receivers.supplier_of(receiver) if receiver else None,
    )


async def decide(tx: WriteTransaction, file: OrderFile, made: Sequence[Decision], now: datetime) -> OrderFile:
    """Keep decisions about what a supplier proposed; return the file with them."""
    for decision in made:
        await order_decisions.keep(tx, file.row.id, KeptDecision(at=now, decision=decision))
    return replace(file, decisions=(*file.decisions, *made))


async def tell_supplier(
    tx: WriteTransaction, file: OrderFile, change: OrderChangeDocument, *, now: datetime, actor: str
) -> OrderFile:
    """Put a change of an order into the outbox in the supplier's form, and keep it; return the file with it.

    Raises:
        CotterlineError: nothing was kept then. ``supplier-missing``, where the shop no longer has the supplier; or why
            its own form cannot be made.
    """
    if file.supplier is None:
        raise CotterlineError("supplier-missing", f"The shop has no supplier {file.row.supplier} any more.")
    body = await asyncio.to_thread(change_body, change, file.document, file.supplier.body)
    await deliveries.enqueue(
        tx,
        Delivery(
            id=change.change_id,
            receiver_kind="supplier",
            receiver_name=file.row.supplier,
            kind="order_change",
            subject_id=file.row.id,
            message_id=message_id(change.change_id),
            created_at=now,
            content_type=body.content_type,
            body=body.content,
        ),
    )
    return await keep_change(tx, file, change, now=now, actor=actor)


async def keep_change(
    tx: WriteTransaction, file: OrderFile, change: OrderChangeDocument, *, now: datetime, actor: str
) -> OrderFile:
    """Keep a change of an order that its supplier need not be told of; return the file with it."""
    content = msgspec.json.encode(change)
    kept = ChangeRow(id=change.change_id, order_id=file.row.id, at=now, actor=actor, content=content)
    await order_changes.insert(tx, kept)
    return replace(file, changes=(*file.changes, *change.changes), told=file.told + 1)


def message_id(delivery_id: UUID) -> str:
    """What names a delivery to a supplier, at every try.

    >>> message_id(UUID(int=7))
    'msg_00000000000000000000000000000007'
    """
    return f"msg_{delivery_id.hex}"
