"""The audit trail: who did what to what, written in the transaction that did it, never changed."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert, literal, select, tuple_
from uuid_utils.compat import uuid7

from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import audit
from cotterline.store.tenancy import Tenant, owned, ownership

OPERATOR = "operator"
"""Who acts at the command line, where there is no key."""

BY_ITSELF = "service"
"""Who acts where time alone does it."""


class AuditRow(msgspec.Struct, frozen=True, kw_only=True):
    """One thing done.

    Attributes:
        id: version 7 of RFC 9562.
        at: when, in UTC to the microsecond.
        actor: id of the key it was done with, ``link:`` and the id of the link a customer answered by, ``operator`` for
            the command line, or ``service`` for what time does.
        action: noun and past participle, as in ``key.issued``.
        subject_kind: kind of thing it was done to, as in ``key``.
        subject_id: which one.
        detail: what else to know, as JSON text; never a secret.
    """

    id: UUID
    at: datetime
    actor: str
    action: str
    subject_kind: str
    subject_id: str
    detail: str


class AuditPage(msgspec.Struct, frozen=True):
    """Some entries, newest first, and where the next page starts, if there is one."""

    entries: tuple[AuditRow, ...]
    following: Cursor | None


async def record(  # noqa: PLR0913 - the columns of an entry, each by name
    tx: WriteTransaction,
    tenant: Tenant,
    *,
    at: datetime,
    actor: str,
    action: str,
    subject_kind: str,
    subject_id: str,
    detail: Mapping[str, object],
) -> None:
    """Write one entry; call it in the transaction that makes the change, so that neither is kept without the other.

    Raises:
        ValueError: the entry is for another tenant than the transaction.
    """
    if tenant != tx.tenant:
        raise ValueError("an entry belongs to the tenant of its transaction")
    row = AuditRow(
        id=uuid7(),
        at=at,
        actor=actor,
        action=action,
        subject_kind=subject_kind,
        subject_id=subject_id,
        detail=msgspec.json.encode(detail).decode(),
    )
    await tx.execute(insert(audit).values(msgspec.structs.asdict(row) | ownership(tenant)))


async def about(tx: ReadTransaction, subject_ids: Sequence[UUID]) -> Sequence[AuditRow]:
    """Return the tenant's entries about some things, the oldest first."""
    columns = [audit.c[name] for name in AuditRow.__struct_fields__]
    mine = (owned(audit, tx.tenant), audit.c.subject_id.in_([str(each) for each in subject_ids]))
    return [AuditRow(**row) for row in await tx.rows(select(*columns).where(*mine).order_by(audit.c.at, audit.c.id))]


async def page(tx: ReadTransaction, after: Cursor | None, limit: int, subject_id: str | None = None) -> AuditPage:
    """Return up to ``limit`` of the tenant's entries behind ``after``, newest first, of one subject if one is named."""
    columns = [audit.c[name] for name in AuditRow.__struct_fields__]
    newest = select(*columns).where(owned(audit, tx.tenant)).order_by(audit.c.at.desc(), audit.c.id.desc())
    if subject_id is not None:
        newest = newest.where(audit.c.subject_id == subject_id)
    if after is not None:
        place = tuple_(literal(after.created_at, audit.c.at.type), literal(after.id, audit.c.id.type))
        newest = newest.where(tuple_(audit.c.at, audit.c.id) < place)
    found = tuple(AuditRow(**row) for row in await tx.rows(newest.limit(limit + 1)))
    shown = found[:limit]
    return AuditPage(shown, Cursor(shown[-1].at, shown[-1].id) if len(found) > limit else None)
