"""Quotes: the whole job in one call, kept so that it can be read again exactly as it was answered, and changed."""

from datetime import UTC, datetime
from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response, get, patch, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, QueryParameter

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, is_current, not_modified, wanted_tags
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import HeldQuote, KeptQuote, Quote, QuoteList, Stamp, listed, shown
from cotterline.api.merge_patch import MEDIA_TYPE
from cotterline.api.operation import EXAMPLE_ID, NOT_MODIFIED, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.parameters import Derivation
from cotterline.api.problems import call_of
from cotterline.api.quote_changes import QuoteChange, computed, drafted, find
from cotterline.api.quote_requests import QuotePatch
from cotterline.api.workshops import UNSET_WORKSHOP
from cotterline.bench.quote_life import QuoteState
from cotterline.bench.quotes import QuoteRequest
from cotterline.delivery.quote_events import entry
from cotterline.store import cursor as places
from cotterline.store import quotes
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.quotes import QuoteSearch

_INSTANT = {"format": "date-time"}
_BODY = examples.read("whole_job")
EXAMPLE_NOW = datetime(2024, 5, 1, 9, 30, tzinfo=UTC)

QuoteId = Annotated[UUID, PathParameter(description="The quote's id.")]
_NEXT_LINKS = {
    "readQuote": {
        "operationId": "readQuote",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "Read the quote again.",
    },
    "changeQuote": {
        "operationId": "changeQuote",
        "parameters": {"quote_id": "$response.body#/id", "If-Match": "$response.header.ETag"},
        "description": "Change this version of it.",
    },
    "actOnQuote": {
        "operationId": "actOnQuote",
        "parameters": {"quote_id": "$response.body#/id", "If-Match": "$response.header.ETag"},
        "requestBody": {"action": "issue"},
        "description": "Do something with this version of it.",
    },
    "listQuoteRevisions": {
        "operationId": "listQuoteRevisions",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "See what was asked and answered before.",
    },
    "readQuoteRevision": {
        "operationId": "readQuoteRevision",
        "parameters": {"quote_id": "$response.body#/id", "number": "$response.body#/revision"},
        "description": "Read the revision that holds.",
    },
    "readBenchCard": {
        "operationId": "readBenchCard",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "Print it as a card for the bench.",
    },
    "readSettingsVersion": {
        "operationId": "readSettingsVersion",
        "parameters": {"version": "$response.body#/settings_version"},
        "description": "Read the shop's settings it was computed with.",
    },
    "listQuoteTransitions": {
        "operationId": "listQuoteTransitions",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "See what was done with it.",
    },
    "listApprovals": {
        "operationId": "listApprovals",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "See what the customer agreed to.",
    },
    "previewOrders": {
        "operationId": "previewOrders",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "See the orders that would be placed, once it is approved.",
    },
    "placeOrders": {
        "operationId": "placeOrders",
        "parameters": {"quote_id": "$response.body#/id"},
        "description": "Order its parts, once it is approved.",
    },
}


def example_quote() -> HeldQuote:
    """The quote that the API document shows."""
    request = examples.typed("whole_job", QuoteRequest)
    return drafted(request, computed(request, UUID(EXAMPLE_ID), 1, UNSET_WORKSHOP, EXAMPLE_NOW))


def _example(_: object = None) -> KeptQuote:
    return shown(example_quote(), EXAMPLE_NOW, derivation=False)


def answer(held: HeldQuote, now: datetime, *, derivation: bool = False) -> Response[KeptQuote]:
    """The quote with its entity tag."""
    return Response(shown(held, now, derivation=derivation), headers={"ETag": held.etag(now), **KEPT})


@post(
    "/v1/quotes",
    status_code=201,
    operation_id="createQuote",
    tags=["quotes"],
    summary="Do the whole job and keep it",
    opt={
        "scope": "quote",
        "answer": Quote,
        "takes": ["Idempotency-Key"],
        "examples": {"whole-job": Example("From the bench to the parts list", _example, _BODY)},
        "headers": ["Location", "ETag", "Idempotency-Replayed"],
        "links": _NEXT_LINKS,
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    data: JSONBody[QuoteRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[bytes]:
    """Judge the thread, rank the spindles, check the chain line and list the parts; keep question and answer."""

    async def work(tx: WriteTransaction) -> Response[KeptQuote]:
        held = await QuoteChange(tx, caller, stamp.now).make(data, stamp.id)
        made = answer(held, stamp.now, derivation=derivation)
        made.headers["Location"] = f"{call_of(request.scope).base_url}/v1/quotes/{stamp.id}"
        return made

    return await once.answer(work)


@get(
    "/v1/quotes/{quote_id:uuid}",
    operation_id="readQuote",
    tags=["quotes"],
    summary="Read a quote again",
    opt={
        "scope": "read",
        "answer": Quote,
        "takes": ["If-None-Match"],
        "examples": {"whole-job": Example("As it was answered", _example)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[KeptQuote] | Response[None]:
    """Give a quote as it was asked and answered, byte for byte, and where it stands now."""
    async with database.read(caller.tenant) as tx:
        held = await find(tx, quote_id)
    tag = held.etag(stamp.now)
    return not_modified(tag) if is_current(request, tag) else answer(held, stamp.now, derivation=derivation)


@patch(
    "/v1/quotes/{quote_id:uuid}",
    operation_id="changeQuote",
    tags=["quotes"],
    summary="Change a quote",
    opt={
        "scope": "quote",
        "answer": Quote,
        "media": MEDIA_TYPE,
        "takes": ["If-Match"],
        "refusals": (409,),
        "examples": {"nothing": Example("Nothing to change", _example, b"{}")},
        "headers": ["ETag"],
    },
)
async def change(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[QuotePatch],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> Response[KeptQuote]:
    """Merge a patch into a quote; other measurements make another revision, and the quote a draft again."""
    wanted = wanted_tags(request)
    async with database.write(caller.tenant) as tx:
        held = await QuoteChange(tx, caller, stamp.now).patch(quote_id, wanted, data)
    return answer(held, stamp.now)


@get(
    "/v1/quotes",
    operation_id="listQuotes",
    tags=["quotes"],
    summary="List quotes, newest first",
    opt={
        "scope": "read",
        "answer": QuoteList,
        "examples": {
            "last-page": Example("One quote", lambda: QuoteList(quotes=(entry(example_quote().quote, EXAMPLE_NOW),)))
        },
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - what can be searched for, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
    reference: Annotated[
        str | None, QueryParameter(min_length=1, max_length=200, description="The whole reference, letter by letter.")
    ] = None,
    in_state: Annotated[
        QuoteState | None, QueryParameter(name="state", description="Where the quotes stand now.")
    ] = None,
    created_from: Annotated[
        datetime | None, QueryParameter(description="Made at this time or later.", schema_extra=_INSTANT)
    ] = None,
    created_to: Annotated[
        datetime | None, QueryParameter(description="Made before this time.", schema_extra=_INSTANT)
    ] = None,
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[QuoteList]:
    """Give a page of quotes; quotes made meanwhile neither repeat nor hide one on a later page."""
    after = places.decode(cursor) if cursor else None
    search = QuoteSearch(
        now=stamp.now, reference=reference, state=in_state, created_from=created_from, created_to=created_to
    )
    async with database.read(caller.tenant) as tx:
        found = listed(await quotes.page(tx, search, after, limit), stamp.now)
    address = f"{call_of(request.scope).base_url}/v1/quotes"
    query = {
        "reference": reference,
        "state": in_state,
        "created_from": created_from.isoformat() if created_from else None,
        "created_to": created_to.isoformat() if created_to else None,
        "limit": limit,
    }
    return Response(found, headers=next_page(address, found.next_cursor, **query))
