"""Token buckets that several processes share: lock a tenant's, look, and keep what was decided.

On PostgreSQL the table is unlogged: it costs no write-ahead log, and a crash of the database fills every bucket.
"""

from collections.abc import Collection, Mapping
from datetime import datetime

from sqlalchemy import Text, TextClause, Uuid, bindparam, case, text, update

from cotterline.store.columns import UtcDateTime
from cotterline.store.database import WriteTransaction
from cotterline.store.tables import rate_limits
from cotterline.store.tenancy import owned, ownership


async def lock(tx: WriteTransaction, buckets: Collection[str], now: datetime) -> Mapping[str, datetime]:
    """Return when each of the tenant's buckets is full, and keep every other transaction from them until the end.

    One that is not there yet is added, full. All are locked in the order of their names, the new ones among them, so
    that no two transactions wait for each other.
    """
    names = {f"bucket_{number}": bucket for number, bucket in enumerate(sorted(buckets))}
    added = _locking([*names]).bindparams(**ownership(tx.tenant), full_at=now, **names)
    rows = await tx.rows(added.columns(bucket=Text(), full_at=UtcDateTime()))
    return {row["bucket"]: row["full_at"] for row in rows}


async def keep(tx: WriteTransaction, full_at: Mapping[str, datetime]) -> None:
    """Keep when each of these buckets, locked before, will be full."""
    states = {name: bindparam(None, when, UtcDateTime()) for name, when in full_at.items()}
    ours = owned(rate_limits, tx.tenant) & rate_limits.c.bucket.in_(full_at)
    await tx.execute(update(rate_limits).where(ours).values(full_at=case(states, value=rate_limits.c.bucket)))


def _locking(names: Collection[str]) -> TextClause:
    """One statement for both databases: a row that is there is set to what it is, which locks it and tells it."""
    rows = ", ".join(f"(:shop_id, :mode, :{name}, :full_at)" for name in names)
    return text(
        f"INSERT INTO rate_limits (shop_id, mode, bucket, full_at) VALUES {rows} "  # noqa: S608 - names made above
        "ON CONFLICT (shop_id, mode, bucket) DO UPDATE SET full_at = rate_limits.full_at RETURNING bucket, full_at"
    ).bindparams(
        bindparam("shop_id", type_=Uuid()),
        bindparam("mode", type_=Text()),
        bindparam("full_at", type_=UtcDateTime()),
        *(bindparam(name, type_=Text()) for name in names),
    )
