"""Runs: bicycles in any number, quoted beside the calls by every worker there is."""

from datetime import datetime
from typing import Any, NamedTuple
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, UnsetType

from cotterline.api import workshops
from cotterline.api.caller import Caller
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.api.quote_run_examples import example_new_run
from cotterline.api.quote_run_limits import QuoteRunLimits, check_room
from cotterline.api.quote_run_uploads import QuoteRunId, find
from cotterline.bench.quotes import Reference
from cotterline.delivery.quote_run_events import QuoteRun, told
from cotterline.store import cursor as places
from cotterline.store import quote_run_inputs, quote_runs
from cotterline.store.audit import record
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.quote_run_inputs import QuoteRunInputs
from cotterline.store.quote_runs import BicycleForm, QuoteRunRow

PATH = "/v1/quote-runs"


class QuoteRunRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A run to be made.

    Attributes:
        bicycles_form: how bicycles will come in: JSON lines or rows of a table.
        answers_form: how answers go out; as the bicycles come in, unless it is given.
        derivation: whether every number says how it came about.
        reference: the shop's own words for it.
    """

    bicycles_form: BicycleForm
    answers_form: BicycleForm | UnsetType = UNSET
    derivation: bool = False
    reference: Reference | UnsetType = UNSET


class QuoteRunList(msgspec.Struct, frozen=True, kw_only=True):
    """Some runs, newest first.

    Attributes:
        quote_runs: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    quote_runs: tuple[QuoteRun, ...]
    next_cursor: str | UnsetType = UNSET


RUN_LINKS = {
    name: {"operationId": name, "parameters": {"quote_run_id": "$response.body#/id"}, "description": words}
    for name, words in {
        "readQuoteRun": "See how far it is.",
        "uploadBicycles": "Send its bicycles.",
        "actOnQuoteRun": "Pause, resume or cancel it.",
    }.items()
}


class Maker(NamedTuple):
    """Who makes runs.

    Attributes:
        caller: whose they are.
        limits: what the caller's shop may have.
        base_url: address the service is reached at.
    """

    caller: Caller
    limits: QuoteRunLimits
    base_url: str

    async def make(self, tx: WriteTransaction, asked: QuoteRunRequest, stamp: Stamp) -> QuoteRunRow:
        """Make a run, which keeps the workshop as it is now, and return it.

        Raises:
            RequestRefusedError: ``quota-reached``.
        """
        await check_room(tx, self.limits)
        answers = asked.bicycles_form if isinstance(asked.answers_form, UnsetType) else asked.answers_form
        row = QuoteRunRow(
            id=stamp.id,
            created_at=stamp.now,
            actor=self.caller.key_id,
            reference=asked.reference or None,
            bicycles_form=asked.bicycles_form,
            answers_form=answers,
            derivation=asked.derivation,
            worked_since=stamp.now,
        )
        await quote_runs.insert(tx, row)
        workshop = (await workshops.read(tx)).workshop
        await quote_run_inputs.insert(tx, QuoteRunInputs(run_id=row.id, base_url=self.base_url, workshop=workshop))
        await tell_the_trail(tx, self.caller, row.id, "quote_run.created", stamp.now)
        return row

    def place(self, run: QuoteRunRow) -> dict[str, str]:
        """The header that says where a run can be read."""
        return {"Location": f"{self.base_url}{PATH}/{run.id}"}


async def tell_the_trail(tx: WriteTransaction, caller: Caller, run_id: UUID, action: str, now: datetime) -> None:
    """Put into the audit trail what a caller did to a run."""
    await record(
        tx,
        caller.tenant,
        at=now,
        actor=caller.key_id,
        action=action,
        subject_kind="quote_run",
        subject_id=str(run_id),
        detail={},
    )


@post(
    PATH,
    status_code=201,
    operation_id="createQuoteRun",
    tags=["quote-runs"],
    summary="Make a run, to send bicycles to",
    opt={
        "scope": "quote",
        "answer": QuoteRun,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "table": Example(
                "A table of a season's bicycles",
                example_new_run,
                b'{"bicycles_form":"csv","answers_form":"json_lines","reference":"spring 2024"}',
            )
        },
        "headers": ["Location", "Idempotency-Replayed"],
        "links": RUN_LINKS,
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    data: JSONBody[QuoteRunRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
    quote_run_limits: NamedDependency[QuoteRunLimits],
) -> Response[bytes]:
    """Make a run. It goes by the shop's settings, labour book and prices as they are now, however long it takes.

    Send its bicycles next. They are worked on as they come, by every worker of the service, and each is answered as a
    stream would answer it. Nothing is kept as a quote; answers are kept for some days.
    """
    maker = Maker(caller, quote_run_limits, call_of(request.scope).base_url)

    async def work(tx: WriteTransaction) -> Response[QuoteRun]:
        row = await maker.make(tx, data, stamp)
        return Response(await told(tx, row, stamp.now), headers=maker.place(row))

    return await once.answer(work)


@get(
    PATH + "/{quote_run_id:uuid}",
    operation_id="readQuoteRun",
    tags=["quote-runs"],
    summary="See how far a run is",
    opt={"scope": "read", "examples": {"new": Example("A run that was just made", example_new_run)}},
)
async def read(
    quote_run_id: QuoteRunId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> QuoteRun:
    """Give where a run stands: what came in, what is answered, how fast it goes and when it will be done."""
    async with database.read(caller.tenant) as tx:
        return await told(tx, await find(tx, quote_run_id), stamp.now)


@get(
    PATH,
    operation_id="listQuoteRuns",
    tags=["quote-runs"],
    summary="List runs, newest first",
    opt={
        "scope": "read",
        "answer": QuoteRunList,
        "examples": {"last-page": Example("One run", lambda: QuoteRunList(quote_runs=(example_new_run(),)))},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - what can be asked for, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[QuoteRunList]:
    """Give a page of runs; one made meanwhile neither repeats nor hides another on a later page."""
    after = places.decode(cursor) if cursor else None
    async with database.read(caller.tenant) as tx:
        found = await _listed(tx, after, limit, stamp.now)
    address = f"{call_of(request.scope).base_url}{PATH}"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit))


async def _listed(tx: ReadTransaction, after: places.Cursor | None, limit: int, now: datetime) -> QuoteRunList:
    found = await quote_runs.page(tx, after, limit)
    following = places.encode(found.following) if found.following else UNSET
    return QuoteRunList(quote_runs=tuple([await told(tx, row, now) for row in found.runs]), next_cursor=following)
