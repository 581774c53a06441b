"""Quotes as they are told to whoever lists them and to whoever subscribed to what happens to them."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.approvals import Means
from cotterline.bench.events import EventType
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.bench.quote_life import QuoteState, state_at
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.thread_verdicts import State
from cotterline.store import approvals, events
from cotterline.store.approvals import ApprovalRow
from cotterline.store.database import WriteTransaction
from cotterline.store.quote_revisions import RevisionSummary
from cotterline.store.quotes import QuoteRow


class ToldQuote(msgspec.Struct, frozen=True, kw_only=True):
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
        erased_at: when the customer's words were taken out of all that is kept of it.
    """

    id: UUID
    created_at: datetime
    state: QuoteState
    revision: int
    expires_at: datetime | UnsetType = UNSET
    reference: str | UnsetType = UNSET
    metadata: dict[str, str]
    core_version: str
    erased_at: datetime | UnsetType = UNSET


class QuoteEntry(ToldQuote, frozen=True, kw_only=True):
    """What a list shows of a quote.

    Attributes:
        verdict_state: state of the thread verdict.
        leading_family: the most probable family on the drive side.
    """

    verdict_state: State
    leading_family: FamilyId | UnsetType = UNSET


class Agreed(msgspec.Struct, frozen=True, kw_only=True):
    """What the customer agreed to, while it holds.

    Attributes:
        revision: the revision that was agreed to.
        ceiling: the most the whole job may come to.
        options: which of the estimate's options are wanted.
        by: who agreed, as the name was given.
        how: how the customer said so.
        at: when it was recorded.
    """

    revision: int
    ceiling: Money
    options: tuple[OptionId, ...]
    by: str
    how: Means
    at: datetime


class QuoteNow(QuoteEntry, frozen=True, kw_only=True):
    """A quote after something happened to it; question and answer are read at its path.

    Attributes:
        version: counts every change of it, from 1.
        path: where it is read.
        approval: what the customer agreed to, if that holds.
    """

    version: int
    path: str
    approval: Agreed | UnsetType = UNSET


def entry(row: QuoteRow, now: datetime) -> QuoteEntry:
    """What a list shows of one quote."""
    return QuoteEntry(**told(row, now), **verdict_of(row))


def told(row: QuoteRow, now: datetime) -> dict[str, Any]:
    """The members of :class:`ToldQuote`."""
    return {
        "id": row.id,
        "created_at": row.created_at,
        "state": state_at(row.state, row.expires_at, now),
        "revision": row.revision,
        "expires_at": row.expires_at or UNSET,
        "reference": row.reference or UNSET,
        "metadata": msgspec.json.decode(row.metadata, type=dict[str, str]),
        "core_version": row.core_version,
        "erased_at": row.erased_at or UNSET,
    }


def verdict_of(row: QuoteRow | RevisionSummary) -> dict[str, Any]:
    """What a list tells of the thread verdict."""
    family = msgspec.convert(row.leading_family, FamilyId) if row.leading_family else UNSET
    return {"verdict_state": msgspec.convert(row.verdict_state, State), "leading_family": family}


def quote_now(row: QuoteRow, agreed: ApprovalRow | None, now: datetime) -> QuoteNow:
    """A quote as an event tells it."""
    return QuoteNow(
        **told(row, now),
        **verdict_of(row),
        version=row.version,
        path=f"/v1/quotes/{row.id}",
        approval=_agreed(agreed) if agreed else UNSET,
    )


async def tell(tx: WriteTransaction, type_: EventType, row: QuoteRow, at: datetime) -> None:
    """Keep that something happened to a quote, which is now as in ``row``, and put it out to who wants to know."""
    agreed = await approvals.in_force(tx, row.id)
    await events.emit(tx, type_, "quote", row.id, row.version, at, quote_now(row, agreed, at))


def _agreed(row: ApprovalRow) -> Agreed:
    return Agreed(
        revision=row.revision,
        ceiling=row.most,
        options=msgspec.json.decode(row.options, type=tuple[OptionId, ...]),
        by=row.given_by,
        how=row.how,
        at=row.at,
    )
