"""Secrets shared with receivers, encrypted: to sign what they are posted, to be let in, to verify what they say."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, RowMapping, and_, delete, insert, literal, or_, select, tuple_, update

from cotterline.bench.errors import CotterlineError
from cotterline.store import audit, shops
from cotterline.store.cipher import Cipher
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.receivers import ReceiverKind
from cotterline.store.tables import receiver_secrets
from cotterline.store.tenancy import Tenant, owned, ownership

Purpose = Literal["signing", "credential", "reply"]

LIVE: Final = 2
"""The one in use and the one that replaces it."""

RESEALED: Final = 200
"""How many secrets are encrypted anew in one transaction."""


class Use(msgspec.Struct, frozen=True):
    """What a secret is for.

    Attributes:
        kind: whether it is shared with a supplier or a subscription.
        name: which one.
        purpose: to sign what is posted, to be let in there, or to verify what comes back.
    """

    kind: ReceiverKind
    name: str
    purpose: Purpose


class SecretRow(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a secret; never its text.

    Attributes:
        id: made by the caller; version 7 of RFC 9562.
        purpose: what it is for.
        created_at: since when it holds.
        actor: id of the key it was kept with.
        ends_at: when it ends or ended; one without an end holds until the next takes over.
    """

    id: UUID
    purpose: Purpose
    created_at: datetime
    actor: str
    ends_at: datetime | None


class SecretPage(msgspec.Struct, frozen=True):
    """Some secrets, newest first, and where the next page starts, if there is one."""

    secrets: tuple[SecretRow, ...]
    following: Cursor | None


_COLUMNS = tuple(receiver_secrets.c[name] for name in SecretRow.__struct_fields__)


async def keep(  # noqa: PLR0913 - the columns of a secret, each by name
    tx: WriteTransaction,
    cipher: Cipher,
    use: Use,
    text: str,
    *,
    secret_id: UUID,
    now: datetime,
    actor: str,
    overlap: timedelta,
) -> SecretRow:
    """Keep a secret of the tenant's, from now on the newest of its use; the one before ends after the overlap.

    Raises:
        CotterlineError: ``too-many-secrets``, while two hold already; ``secrets-unavailable``, without a key to
            encrypt it with.
    """
    sealed = cipher.seal(text, _belongs_to(tx.tenant, use))
    await shops.lock(tx)  # or two at once would each count one
    alive = and_(_used(tx, use), _live(now))
    if len(await tx.rows(select(receiver_secrets.c.id).where(alive))) >= LIVE:
        raise CotterlineError("too-many-secrets", f"{LIVE} secrets for {use.purpose} hold already.")
    open_ended = and_(alive, receiver_secrets.c.ends_at.is_(None))
    await tx.execute(update(receiver_secrets).where(open_ended).values(ends_at=now + overlap))
    row = SecretRow(id=secret_id, purpose=use.purpose, created_at=now, actor=actor, ends_at=None)
    kept = {"receiver_kind": use.kind, "receiver_name": use.name, "sealed": sealed}
    await tx.execute(insert(receiver_secrets).values(msgspec.structs.asdict(row) | kept | ownership(tx.tenant)))
    told = {"purpose": use.purpose, "secret": str(secret_id), "overlap_hours": overlap / timedelta(hours=1)}
    await _record(tx, use, "secret.kept", told, now, actor)
    return row


async def live(tx: ReadTransaction, cipher: Cipher, use: Use, now: datetime) -> Sequence[str]:
    """Return the texts of the tenant's secrets of this use that hold, the newest first.

    Raises:
        CotterlineError: ``secrets-unavailable``, where there is one and no key given opens it.
    """
    alive = select(receiver_secrets.c.sealed).where(_used(tx, use), _live(now))
    newest = alive.order_by(receiver_secrets.c.created_at.desc(), receiver_secrets.c.id.desc())
    belongs_to = _belongs_to(tx.tenant, use)
    return [cipher.unseal(row["sealed"], belongs_to) for row in await tx.rows(newest)]


async def page(tx: ReadTransaction, kind: ReceiverKind, name: str, after: Cursor | None, limit: int) -> SecretPage:
    """Return up to ``limit`` of the secrets of the tenant's receiver behind ``after``, newest first, ended ones too."""
    table = receiver_secrets
    newest = select(*_COLUMNS).where(_of(tx, kind, name)).order_by(table.c.created_at.desc(), table.c.id.desc())
    if after is not None:
        place = tuple_(literal(after.created_at, table.c.created_at.type), literal(after.id, table.c.id.type))
        newest = newest.where(tuple_(table.c.created_at, table.c.id) < place)
    found = tuple(SecretRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return SecretPage(shown, Cursor(shown[-1].created_at, shown[-1].id) if len(found) > limit else None)


async def end(  # noqa: PLR0913 - which secret, and who ended it when
    tx: WriteTransaction, kind: ReceiverKind, name: str, secret_id: UUID, *, now: datetime, actor: str
) -> SecretRow | None:
    """End a secret of the tenant's receiver at once and return it, if there is one; one that has ended stays so."""
    this = and_(_of(tx, kind, name), receiver_secrets.c.id == secret_id)
    ended = await tx.rows(update(receiver_secrets).where(this, _live(now)).values(ends_at=now).returning(*_COLUMNS))
    if ended:
        row = SecretRow(**ended[0])
        told = {"purpose": row.purpose, "secret": str(secret_id)}
        await _record(tx, Use(kind, name, row.purpose), "secret.ended", told, now, actor)
        return row
    found = await tx.rows(select(*_COLUMNS).where(this))
    return SecretRow(**found[0]) if found else None


async def remove_all(tx: WriteTransaction, kind: ReceiverKind, name: str) -> None:
    """Delete every secret of the tenant's receiver, which is going away: none may open for a later one of its name."""
    await tx.execute(delete(receiver_secrets).where(_of(tx, kind, name)))


async def openings(tx: ReadTransaction, cipher: Cipher) -> Sequence[bool]:
    """Return for each of the tenant's secrets, ended ones too, whether the cipher opens it; no text is given out."""
    columns = (receiver_secrets.c[name] for name in ("receiver_kind", "receiver_name", "purpose", "sealed"))
    found = await tx.rows(select(*columns).where(owned(receiver_secrets, tx.tenant)))
    return [_opens(cipher, tx.tenant, row) for row in found]


def _opens(cipher: Cipher, tenant: Tenant, row: RowMapping) -> bool:
    use = Use(row["receiver_kind"], row["receiver_name"], row["purpose"])
    try:
        cipher.unseal(row["sealed"], _belongs_to(tenant, use))
    except CotterlineError:
        return False
    return True


async def reseal(tx: WriteTransaction, cipher: Cipher, after: UUID | None) -> tuple[int, UUID | None]:
    """Encrypt the next secrets behind ``after``, whosesoever they are, with the cipher's first key.

    Returns:
        How many they were, and the last of them, or None where there were none. Only the service itself may do this.
    """
    every = select(receiver_secrets.c.id, receiver_secrets.c.sealed).order_by(receiver_secrets.c.id).limit(RESEALED)
    if after is not None:
        every = every.where(receiver_secrets.c.id > after)
    rows = await tx.rows(every.with_for_update())
    for row in rows:
        renewed = update(receiver_secrets).where(receiver_secrets.c.id == row["id"])
        await tx.execute(renewed.values(sealed=cipher.resealed(row["sealed"])))
    return len(rows), rows[-1]["id"] if rows else None


async def _record(  # noqa: PLR0913, PLR0917 - the columns of an entry
    tx: WriteTransaction, use: Use, action: str, told: Mapping[str, object], now: datetime, actor: str
) -> None:
    about = {"subject_kind": use.kind, "subject_id": use.name}
    await audit.record(tx, tx.tenant, at=now, actor=actor, action=action, **about, detail=told)


def _belongs_to(tenant: Tenant, use: Use) -> str:
    return msgspec.json.encode((tenant.shop, tenant.mode, use.kind, use.name, use.purpose)).decode()


def _of(tx: ReadTransaction, kind: ReceiverKind, name: str) -> ColumnElement[bool]:
    named = and_(receiver_secrets.c.receiver_kind == kind, receiver_secrets.c.receiver_name == name)
    return and_(owned(receiver_secrets, tx.tenant), named)


def _used(tx: ReadTransaction, use: Use) -> ColumnElement[bool]:
    return and_(_of(tx, use.kind, use.name), receiver_secrets.c.purpose == use.purpose)


def _live(now: datetime) -> ColumnElement[bool]:
    ends = receiver_secrets.c.ends_at
    return or_(ends.is_(None), ends > literal(now, ends.type))
