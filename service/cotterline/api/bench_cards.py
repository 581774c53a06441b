"""The bench card of a quote: one sheet of paper, as a page to print."""

from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT
from cotterline.api.fixed import Fixed
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.operation import NOT_MODIFIED
from cotterline.api.quote_changes import find
from cotterline.api.quotes import QuoteId
from cotterline.api.readers import LanguageTag, Units, reader
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.documents.bench_card import CardJob, bench_card
from cotterline.documents.sheet import Paper, usual_paper
from cotterline.store.database import Database
from cotterline.store.shop_documents import SETTINGS


def job_of(held: HeldQuote) -> CardJob:
    """What a card needs of a kept quote."""
    quote, revision = held.quote, held.revision
    return CardJob(
        quote=str(quote.id),
        reference=quote.reference or "",
        revision=revision.number,
        made_at=revision.created_at,
        request=msgspec.json.decode(revision.request, type=QuoteRequest),
        result=msgspec.json.decode(revision.result, type=QuoteResult),
    )


@get(
    "/v1/quotes/{quote_id:uuid}/bench-card",
    operation_id="readBenchCard",
    tags=["quotes"],
    summary="A quote as a card for the bench, to print",
    opt={
        "scope": "read",
        "content": {"text/html": {"schema": {"type": "string"}}},
        "takes": ["If-None-Match"],
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    language: LanguageTag = None,
    units: Units = None,
    paper: Annotated[
        Paper | None, QueryParameter(description="What it is printed on; by the language's territory where left out.")
    ] = None,
) -> Response[bytes]:
    """Give one sheet: the verdict in large type, the steps with their cautions, and boxes for readings."""
    async with database.read(caller.tenant) as tx:
        held = await find(tx, quote_id)
        profile = (await SETTINGS.current(tx)).content
    told_in = reader(profile, language, units)
    card = bench_card(job_of(held), told_in, paper or usual_paper(told_in.locale.territory))
    headers = {"Content-Security-Policy": card.policy, **KEPT}
    return Fixed(card.html.encode(), "text/html", headers).answer(request)
