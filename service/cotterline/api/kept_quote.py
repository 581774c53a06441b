"""A quote as it is kept and as it is shown: the bytes that went out come back, whatever has changed since."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, UnsetType

from cotterline.api.conditions import etag
from cotterline.bench.quote_life import QuoteAction, QuoteState, actions_in, state_at
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.thread_verdicts import State
from cotterline.store import cursor
from cotterline.store.quote_revisions import RevisionRow, RevisionSummary
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


class _Quote(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of every quote.

    Attributes:
        id: names the quote.
        created_at: when it was made.
        state: where it stands in its life; the table is at ``/v1/reference/quote-life``.
        revision: number of the revision that holds; every change of the measurements makes another.
        expires_at: until when it holds, once it was issued.
        reference: the shop's own name for the job.
        metadata: the shop's own pairs of strings.
        core_version: version of the calculation that answered.
    """

    id: UUID
    created_at: datetime
    state: QuoteState
    revision: int
    expires_at: datetime | UnsetType = UNSET
    reference: str | UnsetType = UNSET
    metadata: dict[str, str]
    core_version: str


class Quote(_Quote, frozen=True, kw_only=True):
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


class KeptQuote(_Quote, frozen=True, kw_only=True):
    """A quote out of the database: a :class:`Quote` on the wire, its parts passed on as the bytes they are."""

    actions: tuple[QuoteAction, ...]
    revised_at: datetime
    settings_version: int
    request: Raw
    result: dict[str, Raw]


class QuoteEntry(_Quote, frozen=True, kw_only=True):
    """What a list shows of a quote.

    Attributes:
        verdict_state: state of the thread verdict.
        leading_family: the most probable family on the drive side.
    """

    verdict_state: State
    leading_family: FamilyId | UnsetType = UNSET


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
        **_told(held.quote, now),
        actions=actions_in(held.state(now)),
        revised_at=held.revision.created_at,
        settings_version=held.revision.settings_version,
        request=Raw(held.revision.request),
        result=result_of(held.revision, derivation=derivation),
    )


def result_of(revision: RevisionRow, *, derivation: bool) -> dict[str, Raw]:
    """A revision's result for the wire, with or without its derivation, otherwise byte for byte."""
    result = msgspec.json.decode(revision.result, type=dict[str, Raw])
    if not derivation:
        result.pop("derivation", None)
    return result


def listed(page: QuotePage, now: datetime) -> QuoteList:
    """A page of the list for the wire."""
    following = cursor.encode(page.following) if page.following else UNSET
    return QuoteList(quotes=tuple(entry(row, now) for row in page.quotes), next_cursor=following)


def entry(row: QuoteRow, now: datetime) -> QuoteEntry:
    """What a list shows of one quote."""
    return QuoteEntry(**_told(row, now), **verdict_of(row))


def verdict_of(row: QuoteRow | RevisionSummary) -> dict[str, Any]:
    """What a list tells of the thread verdict."""
    family = msgspec.convert(row.leading_family, FamilyId) if row.leading_family else UNSET
    return {"verdict_state": msgspec.convert(row.verdict_state, State), "leading_family": family}


def _told(row: QuoteRow, now: datetime) -> dict[str, Any]:
    return {
        "id": row.id,
        "created_at": row.created_at,
        "state": state_at(row.state, row.expires_at, now),
        "revision": row.revision,
        "expires_at": row.expires_at or UNSET,
        "reference": row.reference or UNSET,
        "metadata": msgspec.json.decode(row.metadata, type=dict[str, str]),
        "core_version": row.core_version,
    }
