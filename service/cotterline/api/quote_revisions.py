"""Revisions of a quote: what was asked and answered each time, byte for byte."""

from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import PathParameter
from msgspec import UNSET, Raw, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.parameters import Derivation
from cotterline.api.quotes import QuoteId, example_quote
from cotterline.bench.derivation import told as told_result
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.thread_verdicts import State
from cotterline.delivery.quote_events import verdict_of
from cotterline.store import quote_revisions
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.quote_revisions import RevisionRow, RevisionSummary


class _Revision(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of every revision.

    Attributes:
        quote_id: names the quote.
        number: counts from 1.
        created_at: when it was computed.
        settings_version: version of the shop's settings that were in force then; 0 where none were ever set.
        core_version: version of the calculation that answered.
    """

    quote_id: UUID
    number: int
    created_at: datetime
    settings_version: int
    core_version: str


class QuoteRevision(_Revision, frozen=True, kw_only=True):
    """A revision as it was asked and answered.

    Attributes:
        request: what was asked, with every default filled in.
        result: what was answered.
    """

    request: QuoteRequest
    result: QuoteResult


class KeptRevision(_Revision, frozen=True, kw_only=True):
    """A revision out of the database: a :class:`QuoteRevision` on the wire, its parts passed on as bytes."""

    request: Raw
    result: dict[str, Raw]


class RevisionEntry(_Revision, frozen=True, kw_only=True):
    """What a list shows of a revision.

    Attributes:
        verdict_state: state of the thread verdict.
        leading_family: the most probable family on the drive side.
    """

    verdict_state: State
    leading_family: FamilyId | UnsetType = UNSET


class RevisionList(msgspec.Struct, frozen=True, kw_only=True):
    """Every revision of a quote.

    Attributes:
        revisions: the first one first; the last one holds.
    """

    revisions: tuple[RevisionEntry, ...]


def _told(row: RevisionSummary) -> dict[str, Any]:
    return {name: getattr(row, name) for name in _Revision.__struct_fields__}


def shown(row: RevisionRow, *, derivation: bool = False) -> KeptRevision:
    """A revision for the wire, with or without its derivation."""
    return KeptRevision(**_told(row), request=Raw(row.request), result=told_result(row.result, derivation=derivation))


def _entry(row: RevisionSummary) -> RevisionEntry:
    return RevisionEntry(**_told(row), **verdict_of(row))


async def there(tx: ReadTransaction, quote_id: UUID, number: int) -> RevisionRow:
    """One revision of the tenant's quote.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await quote_revisions.get(tx, quote_id, number)
    if row is None:
        raise CotterlineError("not-found", "No quote has this id, or it has no such revision.")
    return row


@get(
    "/v1/quotes/{quote_id:uuid}/revisions",
    operation_id="listQuoteRevisions",
    tags=["quotes"],
    summary="List a quote's revisions",
    opt={
        "scope": "read",
        "examples": {
            "one": Example("A quote never revised", lambda: RevisionList(revisions=(_entry(example_quote().revision),)))
        },
    },
)
async def every(
    quote_id: QuoteId, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> RevisionList:
    """Give every revision of a quote, with what its verdict was."""
    async with database.read(caller.tenant) as tx:
        found = await quote_revisions.every(tx, quote_id)
    if not found:
        raise CotterlineError("not-found", "No quote has this id.")
    return RevisionList(revisions=tuple(map(_entry, found)))


@get(
    "/v1/quotes/{quote_id:uuid}/revisions/{number:int}",
    operation_id="readQuoteRevision",
    tags=["quotes"],
    summary="Read one revision of a quote",
    opt={
        "scope": "read",
        "answer": QuoteRevision,
        "takes": ["If-None-Match"],
        "examples": {"first": Example("As it was answered", lambda: shown(example_quote().revision))},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    number: Annotated[int, PathParameter(ge=1, le=1_000_000, description="Which revision, counted from 1.")],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[KeptRevision] | Response[None]:
    """Give a revision as it was asked and answered, byte for byte, whatever has changed since."""
    tag = etag(number)
    async with database.read(caller.tenant) as tx:
        found = await there(tx, quote_id, number)
    if is_current(request, tag):
        return not_modified(tag)
    return Response(shown(found, derivation=derivation), headers={"ETag": tag, **KEPT})
