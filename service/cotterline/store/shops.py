"""Shops: the tenants of the service."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import select

from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import shops


class ShopRow(msgspec.Struct, frozen=True, kw_only=True):
    """One shop.

    Attributes:
        id: made by the caller; version 7 of RFC 9562.
        name: for people, at most 100 characters; not unique.
        created_at: when it was added.
    """

    id: UUID
    name: str
    created_at: datetime


async def insert(tx: WriteTransaction, shop: ShopRow) -> None:
    """Add the shop whose transaction this is."""
    await tx.execute(insert_into(shops).values(msgspec.structs.asdict(shop)))


async def get(tx: ReadTransaction) -> ShopRow | None:
    """Return the shop whose transaction this is."""
    rows = await tx.rows(select(shops).where(shops.c.id == tx.tenant.shop))
    return ShopRow(**rows[0]) if rows else None


async def lock(tx: WriteTransaction) -> None:
    """Wait until no other transaction holds this shop, and hold it to the end of this one.

    Whoever wrote a row of the shop's before shares its key until the end: a hold on the key as well would have two such
    transactions wait for each other (PostgreSQL 18 documentation, "Explicit Locking", row-level locks).
    """
    await tx.rows(select(shops.c.id).where(shops.c.id == tx.tenant.shop).with_for_update(key_share=True))


async def every(tx: ReadTransaction) -> Sequence[ShopRow]:
    """Return every shop, oldest first; in a tenant's transaction on PostgreSQL, its own alone."""
    return [ShopRow(**row) for row in await tx.rows(select(shops).order_by(shops.c.created_at, shops.c.id))]
