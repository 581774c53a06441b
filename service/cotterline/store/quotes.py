"""Quotes: what each is now, changed only by who has seen its last version, searched and paged newest first."""

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, and_, exists, literal, select, tuple_, union_all, update
from sqlalchemy import insert as insert_into

from cotterline.bench.customer_data import ERASABLE
from cotterline.bench.quote_life import QuoteState
from cotterline.store.cursor import Cursor
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import deliveries, orders, quote_transitions, quotes
from cotterline.store.tenancy import owned, ownership


class QuoteRow(msgspec.Struct, frozen=True, kw_only=True):
    """What a quote is now; what was asked and answered stands in its revisions.

    Attributes:
        id: made by the caller; version 7 of RFC 9562, so that rows written together lie together.
        created_at: when the quote was made; kept in UTC to the microsecond.
        state: as recorded last; an issued quote past ``expires_at`` has expired since.
        version: counts every change, from 1.
        revision: number of the revision that holds.
        expires_at: until when it holds, while it is issued.
        reference: the shop's own words for the job, at most 200 characters.
        metadata: the shop's own pairs of strings, as a JSON object.
        verdict_state: state of the thread verdict of the revision that holds.
        leading_family: the likeliest thread family, if any leads.
        core_version: version of the calculation that answered.
        erased_at: when the customer's words were taken out of all that is kept of it.
    """

    id: UUID
    created_at: datetime
    state: QuoteState
    version: int
    revision: int
    expires_at: datetime | None
    reference: str | None
    metadata: bytes
    verdict_state: str
    leading_family: str | None
    core_version: str
    erased_at: datetime | None = None


class QuotePage(msgspec.Struct, frozen=True):
    """Some quotes, newest first, and where the next page starts, if there is one."""

    quotes: tuple[QuoteRow, ...]
    following: Cursor | None


class QuoteSearch(msgspec.Struct, frozen=True, kw_only=True):
    """Which quotes are looked for; what is None does not matter.

    Attributes:
        now: decides which issued quotes have expired.
        reference: the whole reference, letter by letter.
        state: the state at ``now``.
        created_from: made then or later.
        created_to: made before.
    """

    now: datetime
    reference: str | None = None
    state: QuoteState | None = None
    created_from: datetime | None = None
    created_to: datetime | None = None


_COLUMNS = tuple(quotes.c[name] for name in QuoteRow.__struct_fields__)


async def insert(tx: WriteTransaction, quote: QuoteRow) -> None:
    """Store one quote as the tenant's.

    Raises:
        CotterlineError: ``payload-unstorable``, for text that not every database can hold.
    """
    await tx.execute(insert_into(quotes).values(msgspec.structs.asdict(quote) | ownership(tx.tenant)))


async def change(tx: WriteTransaction, quote: QuoteRow, seen: int) -> bool:
    """Put ``quote`` in the place of its version ``seen``, unless another change was faster; tell whether it is."""
    values = msgspec.structs.asdict(quote)
    del values["id"], values["created_at"]
    this = and_(owned(quotes, tx.tenant), quotes.c.id == quote.id, quotes.c.version == seen)
    return await tx.execute(update(quotes).where(this).values(values)) == 1


async def get(tx: ReadTransaction, quote_id: UUID) -> QuoteRow | None:
    """Return the tenant's quote with this id, if there is one."""
    rows = await tx.rows(select(*_COLUMNS).where(owned(quotes, tx.tenant), quotes.c.id == quote_id))
    return QuoteRow(**rows[0]) if rows else None


async def lapsed(tx: ReadTransaction, now: datetime, limit: int) -> Sequence[QuoteRow]:
    """Return up to ``limit`` of the tenant's quotes that are recorded as issued though their time is over."""
    over = (quotes.c.state == literal("issued"), quotes.c.expires_at <= now)
    found = select(*_COLUMNS).where(owned(quotes, tx.tenant), *over).order_by(quotes.c.created_at, quotes.c.id)
    return [QuoteRow(**row) for row in await tx.rows(found.limit(limit))]


async def long_over(tx: ReadTransaction, before: datetime, limit: int) -> Sequence[QuoteRow]:
    """Return up to ``limit`` of the tenant's quotes that nothing was done with since ``before`` and nobody waits for.

    Left out are those whose customer's words are gone already, and those of which something is still to be posted to a
    supplier.
    """
    later = and_(
        owned(quote_transitions, tx.tenant),
        quote_transitions.c.quote_id == quotes.c.id,
        quote_transitions.c.at >= before,
    )
    posts = select(deliveries.c.id).where(
        owned(orders, tx.tenant),
        orders.c.quote_id == quotes.c.id,
        owned(deliveries, tx.tenant),
        deliveries.c.subject_id == orders.c.id,
        deliveries.c.state.in_(("waiting", "held")),
    )
    states = quotes.c.state.in_([literal(state, literal_execute=True) for state in ERASABLE])  # as its index has them
    over = (states, quotes.c.erased_at.is_(None), quotes.c.created_at < before)
    free = (~exists().where(later), ~posts.exists())
    found = select(*_COLUMNS).where(owned(quotes, tx.tenant), *over, *free).order_by(quotes.c.created_at, quotes.c.id)
    return [QuoteRow(**row) for row in await tx.rows(found.limit(limit))]


async def page(tx: ReadTransaction, search: QuoteSearch, after: Cursor | None, limit: int) -> QuotePage:
    """Return up to ``limit`` of the tenant's quotes behind ``after``, newest first; of equal age the greater id first.

    The cost does not grow with the distance from the start: an index that ends on (created_at, id) is entered at the
    cursor. Expired quotes are two such lists, those recorded as expired and those that lapsed, merged.
    """
    wanted = [owned(quotes, tx.tenant), *_conditions(search)]
    if after is not None:
        place = tuple_(literal(after.created_at, quotes.c.created_at.type), literal(after.id, quotes.c.id.type))
        wanted.append(tuple_(quotes.c.created_at, quotes.c.id) < place)
    newest = [
        select(*_COLUMNS).where(*wanted, *one).order_by(quotes.c.created_at.desc(), quotes.c.id.desc()).limit(limit + 1)
        for one in _states(search)
    ]
    if len(newest) == 1:
        rows = await tx.rows(newest[0])
    else:
        both = union_all(*(select(one.subquery()) for one in newest)).subquery()
        rows = await tx.rows(select(both).order_by(both.c.created_at.desc(), both.c.id.desc()).limit(limit + 1))
    found = tuple(QuoteRow(**row) for row in rows)
    shown = found[:limit]
    more = len(found) > limit
    return QuotePage(shown, Cursor(shown[-1].created_at, shown[-1].id) if more else None)


def _conditions(search: QuoteSearch) -> list[ColumnElement[bool]]:
    made = quotes.c.created_at
    return [
        *([quotes.c.reference == search.reference] if search.reference is not None else []),
        *([made >= search.created_from] if search.created_from is not None else []),
        *([made < search.created_to] if search.created_to is not None else []),
    ]


def _states(search: QuoteSearch) -> list[list[ColumnElement[bool]]]:
    """The conditions on the recorded state, one list for each run through the index."""
    issued = quotes.c.state == literal("issued")
    match search.state:
        case None:
            return [[]]
        case "issued":
            return [[issued, quotes.c.expires_at > search.now]]
        case "expired":
            return [[quotes.c.state == "expired"], [issued, quotes.c.expires_at <= search.now]]
        case state:
            return [[quotes.c.state == state]]
