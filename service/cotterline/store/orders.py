"""Orders: what was ordered of whom, and where each stands; paged newest first, changed one writer after the other."""

from collections.abc import Sequence
from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Select, and_, literal, select, tuple_, update
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.bench.replies import OrderState
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import orders
from cotterline.store.tenancy import Tenant, owned, ownership

Outcome = Literal["waiting", "sent", "undelivered", "cancelled"]
"""What became of the post that carries an order."""


class OrderEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What a list reads of an order.

    Attributes:
        id: version 5 of RFC 9562, out of the quote, its version and the supplier.
        created_at: when it was placed.
        actor: id of the key it was placed with.
        quote_id: the quote it comes from.
        quote_revision: its revision.
        supplier: the shop's name for the supplier.
        state: of the standing, in one word.
        version: counts every change, from 1.
        open_questions: how many wait for a person.
        outcome: what became of its post.
    """

    id: UUID
    created_at: datetime
    actor: str
    quote_id: UUID
    quote_revision: int
    supplier: str
    state: OrderState
    version: int
    open_questions: int
    outcome: Outcome


class OrderRow(OrderEntry, frozen=True, kw_only=True):
    """An order.

    Attributes:
        document: as this service's own document, the exact bytes.
        standing: where it stands, as JSON.
    """

    document: bytes
    standing: bytes


class OrderPage(msgspec.Struct, frozen=True):
    """Some orders, newest first, and where the next page starts, if there is one."""

    orders: tuple[OrderEntry, ...]
    following: Cursor | None


class OrderSearch(msgspec.Struct, frozen=True, kw_only=True):
    """Which orders are looked for; what is None does not matter."""

    state: OrderState | None = None
    quote_id: UUID | None = None


_ENTRY = tuple(orders.c[name] for name in OrderEntry.__struct_fields__)
_COLUMNS = tuple(orders.c[name] for name in OrderRow.__struct_fields__)
_FIXED = ("id", "created_at", "actor", "quote_id", "quote_revision", "supplier", "document")


async def insert(tx: WriteTransaction, order: OrderRow) -> bool:
    """Keep an order as the tenant's, unless there is one of its id; tell whether it was kept."""
    row = msgspec.structs.asdict(order) | ownership(tx.tenant)
    return await tx.execute(insert_into(orders).values(row).on_conflict_do_nothing()) == 1


async def get(tx: ReadTransaction, order_id: UUID) -> OrderRow | None:
    """Return the tenant's order with this id, if there is one."""
    return await _one(tx, select(*_COLUMNS).where(_this(tx.tenant, order_id)))


async def of_quote(tx: ReadTransaction, quote_id: UUID) -> Sequence[UUID]:
    """Return the ids of every order of the tenant's quote, in their order."""
    mine = select(orders.c.id).where(owned(orders, tx.tenant), orders.c.quote_id == quote_id)
    return [row["id"] for row in await tx.rows(mine.order_by(orders.c.id))]


async def hold(tx: WriteTransaction, order_id: UUID) -> OrderRow | None:
    """Return the tenant's order as :func:`get` does, and let nobody else hold it until this transaction ends.

    Where an order stands is worked out anew from everything heard of it, so whoever changes it must see all of it.
    """
    return await _one(tx, select(*_COLUMNS).where(_this(tx.tenant, order_id)).with_for_update())


async def change(tx: WriteTransaction, order: OrderRow, seen: int) -> bool:
    """Put where an order stands in the place of its version ``seen``, unless another was faster; tell whether it is."""
    values = {name: value for name, value in msgspec.structs.asdict(order).items() if name not in _FIXED}
    this = and_(_this(tx.tenant, order.id), orders.c.version == seen)
    return await tx.execute(update(orders).where(this).values(values)) == 1


async def tenant_of(tx: ReadTransaction, order_id: UUID) -> Tenant | None:
    """Look up whose an order is, for who calls without a key; only the service itself may."""
    rows = await tx.rows(select(orders.c.shop_id, orders.c.mode).where(orders.c.id == order_id))
    return Tenant(rows[0]["shop_id"], rows[0]["mode"]) if rows else None


async def page(tx: ReadTransaction, search: OrderSearch, after: Cursor | None, limit: int) -> OrderPage:
    """Return up to ``limit`` of the tenant's orders behind ``after``, newest first; of equal age by id."""
    newest = select(*_ENTRY).where(owned(orders, tx.tenant)).order_by(orders.c.created_at.desc(), orders.c.id.desc())
    if search.state is not None:
        newest = newest.where(orders.c.state == search.state)
    if search.quote_id is not None:
        newest = newest.where(orders.c.quote_id == search.quote_id)
    if after is not None:
        place = tuple_(literal(after.created_at, orders.c.created_at.type), literal(after.id, orders.c.id.type))
        newest = newest.where(tuple_(orders.c.created_at, orders.c.id) < place)
    found = tuple(OrderEntry(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return OrderPage(shown, Cursor(shown[-1].created_at, shown[-1].id) if len(found) > limit else None)


async def _one(tx: ReadTransaction, wanted: Select[tuple[object, ...]]) -> OrderRow | None:
    rows = await tx.rows(wanted)
    return OrderRow(**rows[0]) if rows else None


def _this(tenant: Tenant, order_id: UUID) -> ColumnElement[bool]:
    return and_(owned(orders, tenant), orders.c.id == order_id)
