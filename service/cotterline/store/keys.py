"""API keys kept: issued, looked up, listed, revoked; each change with its entry in the audit trail."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, RowMapping, and_, bindparam, insert, literal, or_, select, tuple_, update

from cotterline.bench.errors import CotterlineError
from cotterline.store import audit, key_text, secret_text, shops
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import keys
from cotterline.store.tenancy import SCOPES, Scope, Tenant, owned, ownership

LIVE_PER_LABEL: Final = 2
"""The one in use and the one that replaces it."""

LIVE: Final = 200
"""Of one tenant, whatever their labels."""


class KeyOrder(msgspec.Struct, frozen=True, kw_only=True):
    """A key to be issued.

    Attributes:
        label: what the key is for, at most 100 characters; the key that replaces it bears the same.
        scopes: what it may do, at least one.
        expires_at: when it ends by itself, if ever.
    """

    label: str
    scopes: frozenset[Scope]
    expires_at: datetime | None = None


class KeyRow(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a key; its secret is not known here.

    Attributes:
        id: the public part of the key.
        label: what the key is for.
        scopes: what it may do, in a fixed order.
        created_at: when it was issued.
        expires_at: when it ends by itself, if ever.
        last_used_at: when it last opened the door; up to a minute behind.
        revoked_at: when it was revoked, if it was.
    """

    id: UUID
    label: str
    scopes: tuple[Scope, ...]
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None

    def is_alive(self, now: datetime) -> bool:
        """Whether it is neither revoked nor past its time."""
        return self.revoked_at is None and (self.expires_at is None or self.expires_at > now)


class KeptKey(msgspec.Struct, frozen=True):
    """A key as the door looks it up: whose it is, what is told of it, and the hash of its text."""

    tenant: Tenant
    row: KeyRow
    secret_hash: bytes

    def opens(self, text: str, now: datetime) -> bool:
        """Whether this text is the key, and the key neither revoked nor past its time."""
        return key_text.matches(text, self.secret_hash) and self.row.is_alive(now)


class KeyPage(msgspec.Struct, frozen=True):
    """Some keys, newest first, and where the next page starts, if there is one."""

    keys: tuple[KeyRow, ...]
    following: Cursor | None


_TOLD = tuple(keys.c[name] for name in KeyRow.__struct_fields__)


async def issue(tx: WriteTransaction, order: KeyOrder, *, key_id: UUID, now: datetime, actor: str) -> str:
    """Issue a key of the tenant and return its text, which is not kept and cannot be had again.

    Raises:
        CotterlineError: ``too-many-keys``, if two keys of this label live already; ``quota-reached``, if the tenant
            has as many as it may.
    """
    await shops.lock(tx)  # or two at once would each count one key
    live = select(keys.c.label).where(owned(keys, tx.tenant), _alive(now))
    labels = [row["label"] for row in await tx.rows(live)]
    if labels.count(order.label) >= LIVE_PER_LABEL:
        words = f"{LIVE_PER_LABEL} keys with this label live already: revoke one of them, or choose another label."
        raise CotterlineError("too-many-keys", words)
    if len(labels) >= LIVE:
        raise CotterlineError("quota-reached", f"{LIVE} keys of this shop live already: revoke one of them.")
    text = key_text.make(tx.tenant.mode, key_id)
    row = row_of(order, key_id, now)
    kept = {"scopes": " ".join(row.scopes), "secret_hash": secret_text.digest(text)}
    await tx.execute(insert(keys).values(msgspec.structs.asdict(row) | kept | ownership(tx.tenant)))
    told = {"label": row.label, "scopes": row.scopes, "expires_at": row.expires_at}
    await audit.record(tx, tx.tenant, at=now, actor=actor, action="key.issued", **_about(key_id), detail=told)
    return text


async def revoke(tx: WriteTransaction, key_id: UUID, *, now: datetime, actor: str) -> KeyRow | None:
    """End a key of the tenant and return it; one that was revoked before stays as it was."""
    ended = update(keys).where(owned(keys, tx.tenant), keys.c.id == key_id, keys.c.revoked_at.is_(None))
    if await tx.execute(ended.values(revoked_at=now)):
        await audit.record(tx, tx.tenant, at=now, actor=actor, action="key.revoked", **_about(key_id), detail={})
    return await get(tx, key_id)


async def get(tx: ReadTransaction, key_id: UUID) -> KeyRow | None:
    """Return the tenant's key with this id, if there is one."""
    rows = await tx.rows(select(*_TOLD).where(owned(keys, tx.tenant), keys.c.id == key_id))
    return _row(rows[0]) if rows else None


async def page(tx: ReadTransaction, after: Cursor | None, limit: int) -> KeyPage:
    """Return up to ``limit`` of the tenant's keys behind ``after``, newest first, those ended included."""
    newest = select(*_TOLD).where(owned(keys, tx.tenant)).order_by(keys.c.created_at.desc(), keys.c.id.desc())
    if after is not None:
        place = tuple_(literal(after.created_at, keys.c.created_at.type), literal(after.id, keys.c.id.type))
        newest = newest.where(tuple_(keys.c.created_at, keys.c.id) < place)
    found = tuple(map(_row, await tx.rows(newest.limit(limit + 1))))
    shown = found[:limit]
    return KeyPage(shown, Cursor(shown[-1].created_at, shown[-1].id) if len(found) > limit else None)


async def find(tx: ReadTransaction, key_id: UUID) -> KeptKey | None:
    """Look a key up, whosesoever it is; only the service itself may."""
    rows = await tx.rows(select(keys).where(keys.c.id == key_id))
    if not rows:
        return None
    (row,) = rows
    return KeptKey(Tenant(row["shop_id"], row["mode"]), _row(row), row["secret_hash"])


async def note_use(tx: WriteTransaction, used: Mapping[UUID, datetime]) -> None:
    """Keep when some of the tenant's keys were last used; a later time that another process kept stays."""
    for key_id, at in sorted(used.items()):  # in one order, so that two processes cannot wait for each other
        earlier = or_(keys.c.last_used_at.is_(None), keys.c.last_used_at < at)
        await tx.execute(
            update(keys).where(owned(keys, tx.tenant), keys.c.id == key_id, earlier).values(last_used_at=at)
        )


def row_of(order: KeyOrder, key_id: UUID, now: datetime) -> KeyRow:
    """What is told of a key as it is issued."""
    return KeyRow(
        id=key_id,
        label=order.label,
        scopes=ordered(order.scopes),
        created_at=now,
        expires_at=order.expires_at,
        last_used_at=None,
        revoked_at=None,
    )


def ordered(scopes: frozenset[Scope]) -> tuple[Scope, ...]:
    """The scopes in their one order."""
    return tuple(scope for scope in SCOPES if scope in scopes)


def _alive(now: datetime) -> ColumnElement[bool]:
    unexpired = or_(keys.c.expires_at.is_(None), keys.c.expires_at > bindparam("now", now, keys.c.expires_at.type))
    return and_(keys.c.revoked_at.is_(None), unexpired)


def _row(row: RowMapping) -> KeyRow:
    told = {name: row[name] for name in KeyRow.__struct_fields__}
    return KeyRow(**told | {"scopes": ordered(frozenset(row["scopes"].split()))})


def _about(key_id: UUID) -> dict[str, str]:
    return {"subject_kind": "key", "subject_id": str(key_id)}
