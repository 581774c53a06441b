"""A quote as it is kept and as it is shown: the bytes that went out come back, whatever has changed since."""

from datetime import datetime
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, UnsetType

from cotterline.api.conditions import etag
from cotterline.bench.derivation import told as told_result
from cotterline.bench.quote_life import QuoteAction, QuoteState, actions_in, state_at
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.delivery.quote_events import QuoteEntry, ToldQuote, entry, told
from cotterline.store import cursor
from cotterline.store.quote_revisions import RevisionRow
from cotterline.store.quotes import QuotePage, QuoteRow


class Stamp(msgspec.Struct, frozen=True, kw_only=True):
    """What a thing made now is given: an id of its own and the time."""

    id: UUID
    now: datetime


class HeldQuote(msgspec.Struct, frozen=True, kw_only=True):
    """A quote as it is kept, with the revision that holds."""

    quote: QuoteRow
    revision: RevisionRow

    def state(self, now: datetime) -> QuoteState:
        """The state it is in now, expiry included."""
        return state_at(self.quote.state, self.quote.expires_at, now)

    def etag(self, now: datetime) -> str:
        """Names this version of the quote; another once it expires, though nothing was recorded."""
        return etag(self.quote.version, self.state(now))


class Quote(ToldQuote, frozen=True, kw_only=True):
    """A quote as it was asked and answered.

    Attributes:
        actions: what can be done with it now.
        revised_at: when the revision that holds was computed.
        settings_version: version of the shop's settings that were in force then; 0 where none were ever set.
        request: what was asked, with every default filled in.
        result: what was answered.
    """

    actions: tuple[QuoteAction, ...]
    revised_at: datetime
    settings_version: int
    request: QuoteRequest
    result: QuoteResult


class KeptQuote(ToldQuote, frozen=True, kw_only=True):
    """A quote out of the database: a :class:`Quote` on the wire, its parts passed on as the bytes they are."""

    actions: tuple[QuoteAction, ...]
    revised_at: datetime
    settings_version: int
    request: Raw
    result: dict[str, Raw]


class QuoteList(msgspec.Struct, frozen=True, kw_only=True):
    """Some quotes, newest first.

    Attributes:
        quotes: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    quotes: tuple[QuoteEntry, ...]
    next_cursor: str | UnsetType = UNSET


def shown(held: HeldQuote, now: datetime, *, derivation: bool) -> KeptQuote:
    """The quote for the wire, with or without its derivation."""
    return KeptQuote(
        **told(held.quote, now),
        actions=actions_in(held.state(now)),
        revised_at=held.revision.created_at,
        settings_version=held.revision.settings_version,
        request=Raw(held.revision.request),
        result=told_result(held.revision.result, derivation=derivation),
    )


def listed(page: QuotePage, now: datetime) -> QuoteList:
    """A page of the list for the wire."""
    following = cursor.encode(page.following) if page.following else UNSET
    return QuoteList(quotes=tuple(entry(row, now) for row in page.quotes), next_cursor=following)
