"""Receivers as they are told of when nothing is posted to them any more."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.subscriptions import Subscription
from cotterline.bench.suppliers import Supplier
from cotterline.store import deliveries, events, receivers
from cotterline.store.database import WriteTransaction
from cotterline.store.receivers import ReceiverKind


class _Disabled(msgspec.Struct, frozen=True, kw_only=True):
    """A receiver nothing is posted to until somebody enables it.

    Attributes:
        version: counts every change of it, from 1.
        disabled_at: since when.
        disabled_why: in words.
        failing_since: the first failure that no success followed.
    """

    version: int
    disabled_at: datetime
    disabled_why: str
    failing_since: datetime | UnsetType = UNSET


class DisabledSupplier(_Disabled, frozen=True, kw_only=True):
    """A supplier that no order is posted to until somebody enables it.

    Attributes:
        supplier: the shop's name for it.
        content: what the shop set.
    """

    supplier: str
    content: Supplier


class DisabledSubscription(_Disabled, frozen=True, kw_only=True):
    """A subscription that no event is posted to until somebody enables it.

    Attributes:
        subscription_id: names it.
        content: what the shop set.
    """

    subscription_id: UUID
    content: Subscription


async def disable(tx: WriteTransaction, kind: ReceiverKind, name: str, *, at: datetime, why: str) -> None:
    """Post nothing more to the tenant's receiver, hold what waits for it, and say so; once, however often asked."""
    off = await receivers.disable(tx, kind, name, at=at, why=why)
    if off is None:
        return
    await deliveries.hold(tx, kind, name)
    facts: dict[str, Any] = {
        "version": off.version,
        "disabled_at": at,
        "disabled_why": why,
        "failing_since": off.failing_since or UNSET,
    }
    if kind == "supplier":
        supplier = DisabledSupplier(supplier=off.name, content=receivers.supplier_of(off), **facts)
        await events.emit(tx, "supplier.disabled", kind, name, off.version, at, supplier)
    else:
        content = receivers.subscription_of(off)
        subscription = DisabledSubscription(subscription_id=UUID(off.name), content=content, **facts)
        await events.emit(tx, "subscription.disabled", kind, name, off.version, at, subscription)
