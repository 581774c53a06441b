"""Revisions of quotes: each question with its answer, byte for byte, never changed."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import select

from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import quote_revisions
from cotterline.store.tenancy import owned, ownership


class RevisionSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What a list shows of a revision.

    Attributes:
        quote_id: of the quote.
        number: counts from 1.
        created_at: when it was computed.
        actor: id of the key it was computed for.
        settings_version: of the shop's settings that were in force; 0 where none were ever set.
        verdict_state: state of its thread verdict.
        leading_family: the likeliest thread family, if any leads.
        core_version: version of the calculation that answered.
    """

    quote_id: UUID
    number: int
    created_at: datetime
    actor: str
    settings_version: int
    verdict_state: str
    leading_family: str | None
    core_version: str


class RevisionRow(RevisionSummary, frozen=True, kw_only=True):
    """A whole revision. ``request`` and ``result`` are JSON, byte for byte."""

    request: bytes
    result: bytes


_SUMMARY = tuple(quote_revisions.c[name] for name in RevisionSummary.__struct_fields__)
_WHOLE = tuple(quote_revisions.c[name] for name in RevisionRow.__struct_fields__)


async def insert(tx: WriteTransaction, revision: RevisionRow) -> None:
    """Keep one revision as the tenant's."""
    await tx.execute(insert_into(quote_revisions).values(msgspec.structs.asdict(revision) | ownership(tx.tenant)))


async def get(tx: ReadTransaction, quote_id: UUID, number: int) -> RevisionRow | None:
    """Return one revision of the tenant's quote, if there is one."""
    this = (quote_revisions.c.quote_id == quote_id, quote_revisions.c.number == number)
    rows = await tx.rows(select(*_WHOLE).where(owned(quote_revisions, tx.tenant), *this))
    return RevisionRow(**rows[0]) if rows else None


async def every(tx: ReadTransaction, quote_id: UUID) -> Sequence[RevisionSummary]:
    """Return every revision of the tenant's quote, the first one first; none if there is no such quote."""
    mine = select(*_SUMMARY).where(owned(quote_revisions, tx.tenant), quote_revisions.c.quote_id == quote_id)
    return [RevisionSummary(**row) for row in await tx.rows(mine.order_by(quote_revisions.c.number))]
