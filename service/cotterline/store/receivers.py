"""Receivers: whom a shop has things posted to, suppliers by their names and subscriptions by their ids."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, delete, func, literal, select, tuple_, update
from sqlalchemy.dialects.postgresql import insert as insert_into

from cotterline.bench.errors import CotterlineError
from cotterline.bench.subscriptions import Subscription
from cotterline.bench.suppliers import Supplier
from cotterline.store import shops
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import receivers
from cotterline.store.tenancy import Tenant, owned, ownership

ReceiverKind = Literal["supplier", "subscription"]

MOST: Final[Mapping[ReceiverKind, int]] = {"supplier": 100, "subscription": 50}
"""Of one tenant. Every event is put out to each subscription in the transaction of what happened."""


class Receiver(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody things are posted to.

    Attributes:
        kind: whether orders go there or events.
        name: the shop's name for a supplier; the id of a subscription, as text.
        version: counts every change of what it is and of whether it is tried, from 1.
        created_at: when it was made.
        changed_at: when it was last set.
        actor: id of the key it was last set with.
        failing_since: the first failure that no success followed, if the last try failed.
        disabled_at: since when nothing is posted to it, if so.
        disabled_why: why not, in words.
        content: what the shop set, as JSON.
    """

    kind: ReceiverKind
    name: str
    version: int
    created_at: datetime
    changed_at: datetime
    actor: str
    failing_since: datetime | None = None
    disabled_at: datetime | None = None
    disabled_why: str | None = None
    content: bytes


class ReceiverPage(msgspec.Struct, frozen=True):
    """Some receivers, newest first, and where the next page starts, if there is one."""

    receivers: tuple[Receiver, ...]
    following: Cursor | None


def supplier_of(row: Receiver) -> Supplier:
    """What the shop set for a supplier."""
    return msgspec.json.decode(row.content, type=Supplier)


def subscription_of(row: Receiver) -> Subscription:
    """What the shop set for a subscription."""
    return msgspec.json.decode(row.content, type=Subscription)


_COLUMNS = tuple(receivers.c[name] for name in Receiver.__struct_fields__)


async def get(tx: ReadTransaction, kind: ReceiverKind, name: str) -> Receiver | None:
    """Return the tenant's receiver of this kind and name, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(_named(tx.tenant, kind, name)))
    return Receiver(**rows[0]) if rows else None


async def hold(tx: WriteTransaction, kind: ReceiverKind, name: str) -> Receiver | None:
    """Return the tenant's receiver as :func:`get` does, and let nobody change it until this transaction ends."""
    rows = await tx.rows(select(*_COLUMNS).where(_named(tx.tenant, kind, name)).with_for_update())
    return Receiver(**rows[0]) if rows else None


async def suppliers(tx: ReadTransaction) -> Sequence[Receiver]:
    """Return the tenant's suppliers, by their names."""
    mine = select(*_COLUMNS).where(_of(tx.tenant, "supplier")).order_by(receivers.c.name)
    return [Receiver(**row) for row in await tx.rows(mine)]


async def page(tx: ReadTransaction, kind: ReceiverKind, after: Cursor | None, limit: int) -> ReceiverPage:
    """Return up to ``limit`` of the tenant's receivers behind ``after``, newest first, where ids are their names."""
    newest = (
        select(*_COLUMNS)
        .where(_of(tx.tenant, kind))
        .order_by(receivers.c.created_at.desc(), receivers.c.name.desc())
        .limit(limit + 1)
    )
    if after is not None:
        place = tuple_(
            literal(after.created_at, receivers.c.created_at.type), literal(str(after.id), receivers.c.name.type)
        )
        newest = newest.where(tuple_(receivers.c.created_at, receivers.c.name) < place)
    found = tuple(Receiver(**row) for row in await tx.rows(newest))
    shown = found[:limit]
    more = len(found) > limit
    return ReceiverPage(shown, Cursor(shown[-1].created_at, UUID(shown[-1].name)) if more else None)


async def live_subscriptions(tx: ReadTransaction) -> Sequence[Receiver]:
    """Return those of the tenant's subscriptions that are not disabled, the oldest first."""
    live = select(*_COLUMNS).where(_of(tx.tenant, "subscription"), receivers.c.disabled_at.is_(None))
    rows = await tx.rows(live.order_by(receivers.c.created_at, receivers.c.name))
    return [Receiver(**row) for row in rows]


async def make_room(tx: WriteTransaction, kind: ReceiverKind) -> None:
    """Hold the shop until this transaction ends, and see that the tenant may have one more receiver of this kind.

    Raises:
        CotterlineError: ``quota-reached``.
    """
    await shops.lock(tx)  # or two at once would each count one too few
    (found,) = await tx.rows(select(func.count().label("there")).select_from(receivers).where(_of(tx.tenant, kind)))
    if found["there"] >= MOST[kind]:
        words = f"The shop has {MOST[kind]} {kind}s: take one of them away before another is made."
        raise CotterlineError("quota-reached", words)


async def insert(tx: WriteTransaction, receiver: Receiver) -> bool:
    """Keep a new receiver of the tenant's, unless its name is taken; tell whether it was kept."""
    row = msgspec.structs.asdict(receiver) | ownership(tx.tenant)
    return await tx.execute(insert_into(receivers).values(row).on_conflict_do_nothing()) == 1


async def change(tx: WriteTransaction, receiver: Receiver, seen: int) -> bool:
    """Set what a receiver is in the place of its version ``seen``, unless another was faster; tell whether it is.

    Whether it fails or is disabled stays as it is: that is for the worker and for :func:`enable` to say.
    """
    told = {name: getattr(receiver, name) for name in ("version", "changed_at", "actor", "content")}
    this = and_(_named(tx.tenant, receiver.kind, receiver.name), receivers.c.version == seen)
    return await tx.execute(update(receivers).where(this).values(told)) == 1


async def remove(tx: WriteTransaction, kind: ReceiverKind, name: str, seen: int) -> bool:
    """Take away the version ``seen`` of a receiver, unless another change was faster; tell whether it is gone."""
    this = and_(_named(tx.tenant, kind, name), receivers.c.version == seen)
    return await tx.execute(delete(receivers).where(this)) == 1


async def disable(tx: WriteTransaction, kind: ReceiverKind, name: str, *, at: datetime, why: str) -> Receiver | None:
    """Post nothing more to a receiver; return it as it is then, or None if it was disabled already or is gone."""
    this = and_(_named(tx.tenant, kind, name), receivers.c.disabled_at.is_(None))
    return await _set(tx, this, {"disabled_at": at, "disabled_why": why, "version": receivers.c.version + 1})


async def enable(tx: WriteTransaction, kind: ReceiverKind, name: str) -> Receiver | None:
    """Post to a disabled receiver again; return it as it is then, or None if it was not disabled."""
    this = and_(_named(tx.tenant, kind, name), receivers.c.disabled_at.is_not(None))
    fresh = {"disabled_at": None, "disabled_why": None, "failing_since": None, "version": receivers.c.version + 1}
    return await _set(tx, this, fresh)


async def note_failure(tx: WriteTransaction, kind: ReceiverKind, name: str, at: datetime) -> Receiver | None:
    """Keep that a try failed, and since when all did; return the receiver as it is then, if it is there."""
    since = func.coalesce(receivers.c.failing_since, literal(at, receivers.c.failing_since.type))
    return await _set(tx, _named(tx.tenant, kind, name), {"failing_since": since})


async def note_success(tx: WriteTransaction, kind: ReceiverKind, name: str) -> None:
    """Keep that a try succeeded."""
    failing = and_(_named(tx.tenant, kind, name), receivers.c.failing_since.is_not(None))
    await tx.execute(update(receivers).where(failing).values(failing_since=None))


async def _set(tx: WriteTransaction, this: ColumnElement[bool], values: Mapping[str, object]) -> Receiver | None:
    rows = await tx.rows(update(receivers).where(this).values(values).returning(*_COLUMNS))
    return Receiver(**rows[0]) if rows else None


def _of(tenant: Tenant, kind: ReceiverKind) -> ColumnElement[bool]:
    return and_(owned(receivers, tenant), receivers.c.kind == kind)


def _named(tenant: Tenant, kind: ReceiverKind, name: str) -> ColumnElement[bool]:
    return and_(_of(tenant, kind), receivers.c.name == name)
