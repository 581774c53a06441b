"""What is told and done alike of suppliers and subscriptions: both are receivers of posts."""

from datetime import datetime
from typing import Any

import msgspec
from msgspec import UNSET

from cotterline.api.caller import Caller
from cotterline.api.shop_documents import Desk
from cotterline.delivery.addresses import origin
from cotterline.store import deliveries, receivers
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.receivers import Receiver


class _Destination(msgspec.Struct):
    """The one part of what was set that the audit trail names."""

    endpoint: str


def told(row: Receiver) -> dict[str, Any]:
    """The members that tell since when a receiver is there, who set it last, and how it does."""
    return {
        "state": "disabled" if row.disabled_at else "failing" if row.failing_since else "ready",
        "created_at": row.created_at,
        "changed_at": row.changed_at,
        "by": row.actor,
        "failing_since": row.failing_since or UNSET,
        "disabled_at": row.disabled_at or UNSET,
        "disabled_why": row.disabled_why or UNSET,
    }


async def enabled(tx: WriteTransaction, desk: Desk, seen: Receiver) -> Receiver:
    """Let posts go out again to a receiver that was disabled, those that were held at once; give it as it is then."""
    row = await receivers.enable(tx, seen.kind, seen.name)
    if row is None:
        return seen
    await deliveries.release(tx, row.kind, row.name, desk.stamp.now)
    await note(tx, desk.caller, desk.stamp.now, "enabled", row)
    return row


async def note(tx: WriteTransaction, caller: Caller, now: datetime, done: str, row: Receiver) -> None:
    """Put what was done with a receiver into the audit trail, with the host alone of where it is posted to."""
    endpoint = msgspec.json.decode(row.content, type=_Destination).endpoint
    await record(
        tx,
        caller.tenant,
        at=now,
        actor=caller.key_id,
        action=f"{row.kind}.{done}",
        subject_kind=row.kind,
        subject_id=row.name,
        detail={"version": row.version, "host": origin(endpoint)[1]},
    )
