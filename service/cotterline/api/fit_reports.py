"""Fit reports: what a mechanic measured once the crank was on, judged, kept and read again."""

from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified
from cotterline.api.fit_report_examples import example_entry, example_told
from cotterline.api.fit_report_taking import take
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.parameters import Derivation
from cotterline.api.problems import call_of
from cotterline.api.quote_changes import find
from cotterline.api.quotes import QuoteId
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.report import FitReportRequest
from cotterline.delivery.fit_report_events import FitReport, FitReportEntry, KeptEntry, KeptFitReport, entry, whole
from cotterline.store import fit_reports
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.fit_reports import FitReportRow

PATH: Final = "/v1/fit-reports/{fit_report_id:uuid}"
OF_QUOTE: Final = "/v1/quotes/{quote_id:uuid}/fit-reports"
FitReportId = Annotated[UUID, PathParameter(description="The fit report's id.")]
_LINKS: Final = {
    "readFitReport": {
        "operationId": "readFitReport",
        "parameters": {"fit_report_id": "$response.body#/id"},
        "description": "Read it again.",
    },
}


class FitReportList(msgspec.Struct, frozen=True, kw_only=True):
    """Every fit report of a quote.

    Attributes:
        reports: the first one first.
    """

    reports: tuple[FitReportEntry, ...]


class KeptFitReportList(msgspec.Struct, frozen=True, kw_only=True):
    """The same out of the database, results passed on as bytes."""

    reports: tuple[KeptEntry, ...]


def _tag(row: FitReportRow) -> str:
    """A report never changes, save that what may be a customer's words is taken out of it."""
    return etag(1 if row.erased_at is None else 2)


async def there(tx: ReadTransaction, report_id: UUID) -> FitReportRow:
    """The tenant's fit report.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await fit_reports.get(tx, report_id)
    if row is None:
        raise CotterlineError("not-found", "No fit report has this id.")
    return row


@post(
    OF_QUOTE,
    status_code=201,
    operation_id="makeFitReport",
    tags=["fit-reports"],
    summary="Report what was measured after fitting",
    opt={
        "scope": "quote",
        "answer": FitReport,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"fitted": Example("The crank is on", example_told, examples.read("fit_report"))},
        "headers": ["Location", "ETag", "Idempotency-Replayed"],
        "links": _LINKS,
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[FitReportRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[bytes]:
    """Judge what was measured on a job whose parts were ordered, and say what to do where it missed.

    Minutes it tells are recorded as labour times of the quote.
    """

    async def work(tx: WriteTransaction) -> Response[KeptFitReport]:
        row = await take(tx, caller, stamp, quote_id, data)
        place = f"{call_of(request.scope).base_url}/v1/fit-reports/{row.id}"
        return Response(whole(row, derivation=derivation), headers={"Location": place, "ETag": _tag(row), **KEPT})

    return await once.answer(work)


@get(
    OF_QUOTE,
    operation_id="listFitReports",
    tags=["fit-reports"],
    summary="List a quote's fit reports",
    opt={
        "scope": "read",
        "answer": FitReportList,
        "examples": {"one": Example("One report", lambda: KeptFitReportList(reports=(example_entry(),)))},
    },
)
async def every(
    quote_id: QuoteId, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> KeptFitReportList:
    """Give every fit report of a quote with what it was judged to say, the first one first."""
    async with database.read(caller.tenant) as tx:
        await find(tx, quote_id)
        found = await fit_reports.of_quote(tx, quote_id)
    return KeptFitReportList(reports=tuple(map(entry, found)))


@get(
    PATH,
    operation_id="readFitReport",
    tags=["fit-reports"],
    summary="Read a fit report",
    opt={
        "scope": "read",
        "answer": FitReport,
        "takes": ["If-None-Match"],
        "examples": {"fitted": Example("As it was judged", example_told)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any],
    fit_report_id: FitReportId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Response[KeptFitReport] | Response[None]:
    """Give a report as it was made and judged, byte for byte, but for a customer's words that were erased since."""
    async with database.read(caller.tenant) as tx:
        row = await there(tx, fit_report_id)
    tag = _tag(row)
    if is_current(request, tag):
        return not_modified(tag)
    return Response(whole(row, derivation=derivation), headers={"ETag": _tag(row), **KEPT})
