"""Quotes: the whole job in one call, kept so that it can be read again exactly as it was answered."""

from datetime import UTC, datetime
from typing import Annotated, Any
from urllib.parse import urlencode
from uuid import UUID

from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, QueryParameter

from cotterline.api import examples
from cotterline.api.caller import Caller, caller_of
from cotterline.api.kept_quote import KeptQuote, Quote, QuoteList, Stamp, calculate, entry, listed, shown
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.parameters import Derivation
from cotterline.api.problems import call_of
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quotes import QuoteRequest
from cotterline.store import cursor as places
from cotterline.store import quotes
from cotterline.store.audit import record
from cotterline.store.database import Database
from cotterline.store.quotes import QuoteRow

MAX_LIMIT = 200
_EXAMPLE_STAMP = Stamp(id=UUID(EXAMPLE_ID), now=datetime(2024, 5, 1, 9, 30, tzinfo=UTC))
_BODY = examples.read("whole_job")


def _example_row() -> QuoteRow:
    return calculate(examples.typed("whole_job", QuoteRequest), _EXAMPLE_STAMP)


def _example(_: QuoteRequest | None = None) -> KeptQuote:
    return shown(_example_row(), derivation=False)


@post(
    "/v1/quotes",
    status_code=201,
    operation_id="createQuote",
    tags=["quotes"],
    summary="Do the whole job and keep it",
    opt={
        "scope": "quote",
        "answer": Quote,
        "examples": {"whole-job": Example("From the bench to the parts list", _example, _BODY)},
        "headers": ["Location"],
        "links": {
            "readQuote": {
                "operationId": "readQuote",
                "parameters": {"quote_id": "$response.body#/id"},
                "description": "Read the quote again.",
            }
        },
    },
)
async def create(
    request: Request[Any, Any, Any],
    data: JSONBody[QuoteRequest],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[KeptQuote]:
    """Judge the thread, rank the spindles, check the chain line and list the parts; keep question and answer."""
    caller, row = caller_of(request), calculate(data, stamp)
    async with database.write(caller.tenant) as tx:
        await quotes.insert(tx, row)
        await record(
            tx,
            caller.tenant,
            at=stamp.now,
            actor=caller.key_id,
            action="quote.created",
            subject_kind="quote",
            subject_id=str(row.id),
            detail={},
        )
    location = f"{call_of(request.scope).base_url}/v1/quotes/{row.id}"
    return Response(shown(row, derivation=derivation), headers={"Location": location})


@get(
    "/v1/quotes/{quote_id:uuid}",
    operation_id="readQuote",
    tags=["quotes"],
    summary="Read a quote again",
    opt={"scope": "read", "answer": Quote, "examples": {"whole-job": Example("As it was answered", _example)}},
)
async def read(
    quote_id: Annotated[UUID, PathParameter(description="The quote's id.")],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> KeptQuote:
    """Give a quote as it was asked and answered, byte for byte, whatever has changed since."""
    async with database.read(caller.tenant) as tx:
        row = await quotes.get(tx, quote_id)
    if row is None:
        raise CotterlineError("not-found", "No quote has this id.")
    return shown(row, derivation=derivation)


@get(
    "/v1/quotes",
    operation_id="listQuotes",
    tags=["quotes"],
    summary="List quotes, newest first",
    opt={
        "scope": "read",
        "answer": QuoteList,
        "examples": {"last-page": Example("One quote", lambda: QuoteList(quotes=(entry(_example_row()),)))},
        "headers": ["Link"],
    },
)
async def page(
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Annotated[int, QueryParameter(ge=1, le=MAX_LIMIT, description="Most quotes to give.")] = 50,
    cursor: Annotated[
        str | None, QueryParameter(min_length=1, max_length=200, description="next_cursor of the page before.")
    ] = None,
) -> Response[QuoteList]:
    """Give a page of quotes; quotes made meanwhile neither repeat nor hide one on a later page."""
    after = places.decode(cursor) if cursor else None
    async with database.read(caller.tenant) as tx:
        found = listed(await quotes.page(tx, after, limit))
    return Response(found, headers=_next_page(found, limit, call_of(request.scope).base_url))


def _next_page(found: QuoteList, limit: int, base_url: str) -> dict[str, str]:
    if not found.next_cursor:
        return {}
    query = urlencode({"limit": limit, "cursor": found.next_cursor})
    return {"Link": f'<{base_url}/v1/quotes?{query}>; rel="next"'}
