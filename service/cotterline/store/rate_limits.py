"""Token buckets that several processes share: lock a tenant's, look, and keep what was decided.

On PostgreSQL the table is unlogged: it costs no write-ahead log, and a crash of the database fills every bucket.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import Text, Uuid, bindparam, case, select, text, update

from cotterline.store.columns import UtcDateTime
from cotterline.store.database import WriteTransaction
from cotterline.store.tables import rate_limits
from cotterline.store.tenancy import owned, ownership

_ADD = text(
    "INSERT INTO rate_limits (shop_id, mode, bucket, full_at) VALUES (:shop_id, :mode, :bucket, :full_at) "
    "ON CONFLICT DO NOTHING"
).bindparams(
    bindparam("shop_id", type_=Uuid()),
    bindparam("mode", type_=Text()),
    bindparam("bucket", type_=Text()),
    bindparam("full_at", type_=UtcDateTime()),
)
"""The same words on SQLite and PostgreSQL; of two processes that add a bucket, one adds it."""


async def lock(tx: WriteTransaction, buckets: Sequence[str], now: datetime) -> Mapping[str, datetime]:
    """Return when each of the tenant's buckets is full, and keep every other transaction from them until the end.

    One that is not there yet is added, full. They are locked in the order of their names, so that no two transactions
    wait for each other.
    """
    found = await _locked(tx, buckets)
    if len(found) == len(buckets):
        return found
    for bucket in sorted({*buckets} - {*found}):
        await tx.execute(_ADD.bindparams(**ownership(tx.tenant), bucket=bucket, full_at=now))
    return await _locked(tx, buckets)


async def keep(tx: WriteTransaction, full_at: Mapping[str, datetime]) -> None:
    """Keep when each of these buckets, locked before, will be full."""
    states = {name: bindparam(None, when, UtcDateTime()) for name, when in full_at.items()}
    ours = owned(rate_limits, tx.tenant) & rate_limits.c.bucket.in_(full_at)
    await tx.execute(update(rate_limits).where(ours).values(full_at=case(states, value=rate_limits.c.bucket)))


async def _locked(tx: WriteTransaction, buckets: Sequence[str]) -> dict[str, datetime]:
    wanted = (
        select(rate_limits.c.bucket, rate_limits.c.full_at)
        .where(owned(rate_limits, tx.tenant), rate_limits.c.bucket.in_(buckets))
        .order_by(rate_limits.c.bucket)
        .with_for_update()
    )
    return {row["bucket"]: row["full_at"] for row in await tx.rows(wanted)}
