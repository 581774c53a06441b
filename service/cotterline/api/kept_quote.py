"""A quote as it is kept and as it is shown: the bytes that went out come back, whatever has changed since."""

from datetime import datetime
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, UnsetType

import cotterline
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import State
from cotterline.store import cursor
from cotterline.store.quotes import QuotePage, QuoteRow, QuoteSummary


class Stamp(msgspec.Struct, frozen=True, kw_only=True):
    """What a thing made now is given: an id of its own and the time."""

    id: UUID
    now: datetime


class _Quote(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of every quote.

    Attributes:
        id: names the quote.
        created_at: when it was calculated.
        reference: the shop's own name for the job.
        core_version: version of the calculation that answered.
    """

    id: UUID
    created_at: datetime
    reference: str | UnsetType = UNSET
    core_version: str


class Quote(_Quote, frozen=True, kw_only=True):
    """A quote as it was asked and answered.

    Attributes:
        request: what was asked, with every default filled in.
        result: what was answered.
    """

    request: QuoteRequest
    result: QuoteResult


class KeptQuote(_Quote, frozen=True, kw_only=True):
    """A quote out of the database: a :class:`Quote` on the wire, its parts passed on as the bytes they are."""

    request: Raw
    result: dict[str, Raw]


class QuoteEntry(_Quote, frozen=True, kw_only=True):
    """What a list shows of a quote.

    Attributes:
        state: of the thread verdict.
        leading_family: the most probable family on the drive side.
    """

    state: State
    leading_family: FamilyId | UnsetType = UNSET


class QuoteList(msgspec.Struct, frozen=True, kw_only=True):
    """Some quotes, newest first.

    Attributes:
        quotes: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    quotes: tuple[QuoteEntry, ...]
    next_cursor: str | UnsetType = UNSET


def calculate(request: QuoteRequest, stamp: Stamp) -> QuoteRow:
    """Do the job and return it as it is kept: with its derivation, so that an old quote can be explained."""
    result = quote(request, ShopSettings(), Trace())
    return QuoteRow(
        id=stamp.id,
        created_at=stamp.now,
        reference=request.reference or None,
        verdict_state=result.verdict.state,
        leading_family=result.verdict.leading.drive,
        core_version=cotterline.__version__,
        request=msgspec.json.encode(request),
        result=msgspec.json.encode(result),
    )


def shown(row: QuoteRow, *, derivation: bool) -> KeptQuote:
    """The quote for the wire, with or without its derivation."""
    result = msgspec.json.decode(row.result, type=dict[str, Raw])
    if not derivation:
        result.pop("derivation", None)
    return KeptQuote(
        id=row.id,
        created_at=row.created_at,
        reference=row.reference or UNSET,
        core_version=row.core_version,
        request=Raw(row.request),
        result=result,
    )


def listed(page: QuotePage) -> QuoteList:
    """A page of the list for the wire."""
    following = cursor.encode(page.following) if page.following else UNSET
    return QuoteList(quotes=tuple(map(entry, page.quotes)), next_cursor=following)


def entry(row: QuoteSummary) -> QuoteEntry:
    """What a list shows of one quote."""
    words = {"reference": row.reference, "state": row.verdict_state, "leading_family": row.leading_family}
    given = {name: value for name, value in words.items() if value is not None}
    named = {"id": row.id, "created_at": row.created_at, "core_version": row.core_version}
    return msgspec.convert(named | given, QuoteEntry)
