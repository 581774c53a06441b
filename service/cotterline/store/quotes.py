"""Quotes kept: put one in, get one back, page through them newest first."""

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import insert as insert_into
from sqlalchemy import literal, select, tuple_

from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import quotes
from cotterline.store.tenancy import owned, ownership


class QuoteSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What a list shows of a quote.

    Attributes:
        id: made by the caller; version 7 of RFC 9562, so that rows written together lie together.
        created_at: when the quote was made; kept in UTC to the microsecond.
        reference: the shop's own words for the job, at most 200 characters.
        verdict_state: state of the thread verdict.
        leading_family: the likeliest thread family, if any leads.
        core_version: version of the calculation that answered.
    """

    id: UUID
    created_at: datetime
    reference: str | None
    verdict_state: str
    leading_family: str | None
    core_version: str


class QuoteRow(QuoteSummary, frozen=True, kw_only=True):
    """A whole quote. ``request`` and ``result`` are the JSON bodies, byte for byte."""

    request: bytes
    result: bytes


class QuotePage(msgspec.Struct, frozen=True):
    """Some quotes, newest first, and where the next page starts, if there is one."""

    quotes: tuple[QuoteSummary, ...]
    following: Cursor | None


_SUMMARY = tuple(quotes.c[name] for name in QuoteSummary.__struct_fields__)
_WHOLE = tuple(quotes.c[name] for name in QuoteRow.__struct_fields__)


async def insert(tx: WriteTransaction, quote: QuoteRow) -> None:
    """Store one quote as the tenant's.

    Raises:
        CotterlineError: ``payload-unstorable``, for text that not every database can hold.
    """
    await tx.execute(insert_into(quotes).values(msgspec.structs.asdict(quote) | ownership(tx.tenant)))


async def get(tx: ReadTransaction, quote_id: UUID) -> QuoteRow | None:
    """Return the tenant's quote with this id, if there is one."""
    rows = await tx.rows(select(*_WHOLE).where(owned(quotes, tx.tenant), quotes.c.id == quote_id))
    return QuoteRow(**rows[0]) if rows else None


async def page(tx: ReadTransaction, after: Cursor | None, limit: int) -> QuotePage:
    """Return up to ``limit`` of the tenant's quotes behind ``after``, newest first; of equal age the greater id first.

    The cost does not grow with the distance from the start: the index on (shop, mode, created_at, id) is entered at
    the cursor.
    """
    newest = (
        select(*_SUMMARY)
        .where(owned(quotes, tx.tenant))
        .order_by(quotes.c.created_at.desc(), quotes.c.id.desc())
        .limit(limit + 1)
    )
    if after is not None:
        place = tuple_(literal(after.created_at, quotes.c.created_at.type), literal(after.id, quotes.c.id.type))
        newest = newest.where(tuple_(quotes.c.created_at, quotes.c.id) < place)
    found = tuple(QuoteSummary(**row) for row in await tx.rows(newest))
    shown = found[:limit]
    more = len(found) > limit
    return QuotePage(shown, Cursor(shown[-1].created_at, shown[-1].id) if more else None)
