"""Re-check visits: planned by fit reports, moved and cancelled by people, listed for whoever calls customers."""

from datetime import datetime
from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Response, delete, get, put
from litestar.di import NamedDependency
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.conditions import (
    KEPT,
    etag,
    is_current,
    makes_it,
    not_modified,
    overtaken,
    require,
    wanted_tags,
)
from cotterline.api.fit_report_taking import hold_ordered
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.api.quote_changes import find
from cotterline.api.quotes import QuoteId
from cotterline.api.recheck_visit_changes import VisitChange
from cotterline.api.recheck_visit_examples import example_visit
from cotterline.api.shop_documents import Desk
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import refuse
from cotterline.bench.recheck_visits import VisitState, check_due
from cotterline.delivery.recheck_visit_events import RecheckVisit, told
from cotterline.store import cursor as places
from cotterline.store import recheck_visits
from cotterline.store.database import Database
from cotterline.store.recheck_visits import VisitPage, VisitRow

PATH: Final = "/v1/quotes/{quote_id:uuid}/recheck-visit"


class RecheckRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When a bicycle is to be looked at again.

    Attributes:
        due_at: the time, with its offset; one that is past is announced at once.
    """

    due_at: Annotated[datetime, Meta(tz=True)]


class RecheckVisitList(msgspec.Struct, frozen=True, kw_only=True):
    """Some re-check visits, those planned last first.

    Attributes:
        visits: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    visits: tuple[RecheckVisit, ...]
    next_cursor: str | UnsetType = UNSET


def _planned(row: VisitRow | None) -> VisitRow:
    """The visit of a quote.

    Raises:
        CotterlineError: ``not-found``, also where it was cancelled.
    """
    if row is None or row.state == "cancelled":
        raise CotterlineError("not-found", "No quote has this id, or no re-check is planned for it.")
    return row


def _tag(row: VisitRow) -> str:
    return etag(row.version, row.state)


def _answer(row: VisitRow) -> Response[RecheckVisit]:
    return Response(told(row), headers={"ETag": _tag(row), **KEPT})


def _listed(page: VisitPage) -> RecheckVisitList:
    following = places.encode(page.following, "recheck_visits") if page.following else UNSET
    return RecheckVisitList(visits=tuple(map(told, page.visits)), next_cursor=following)


@get(
    PATH,
    operation_id="readRecheckVisit",
    tags=["fit-reports"],
    summary="Read when a bicycle is to be looked at again",
    opt={
        "scope": "read",
        "answer": RecheckVisit,
        "takes": ["If-None-Match"],
        "examples": {"scheduled": Example("Two weeks after the fitting", example_visit)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> Response[RecheckVisit] | Response[None]:
    """Give when it is due, and whether it was announced or done; one that was cancelled is not there any more."""
    async with database.read(caller.tenant) as tx:
        row = _planned(await recheck_visits.get(tx, quote_id))
    return not_modified(_tag(row)) if is_current(request, _tag(row)) else _answer(row)


@put(
    PATH,
    operation_id="planRecheckVisit",
    tags=["fit-reports"],
    summary="Set when a bicycle is to be looked at again",
    opt={
        "scope": "quote",
        "answer": RecheckVisit,
        "takes": ["If-Match to replace", "If-None-Match to make"],
        "refusals": (409,),
        "examples": {
            "later": Example(
                "A day that suits", lambda _: example_visit(version=2), b'{"due_at":"2024-05-15T09:30:00Z"}'
            )
        },
        "headers": ["ETag"],
    },
)
async def replace(
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[RecheckRequest],
    desk: NamedDependency[Desk],
) -> Response[RecheckVisit]:
    """Set another time for the visit, or plan one with `If-None-Match: *`; it is announced anew when due."""
    wanted = "" if makes_it(request) else wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        held = await find(tx, quote_id)
        seen = await recheck_visits.hold(tx, quote_id)
        if wanted:
            require(wanted, _tag(_planned(seen)))
        elif seen and seen.state != "cancelled":
            raise overtaken(_tag(seen))
        await hold_ordered(tx, held, desk.stamp)
        refuse([*check_due(data.due_at, desk.stamp.now)])
        change = VisitChange(tx, quote_id, desk.caller.key_id, desk.stamp.now)
        return _answer(await change.plan(seen, data.due_at))


@delete(
    PATH,
    operation_id="cancelRecheckVisit",
    tags=["fit-reports"],
    summary="Have a bicycle not looked at again",
    opt={"scope": "quote", "takes": ["If-Match"], "refusals": (409,)},
)
async def remove(request: Request[Any, Any, Any], quote_id: QuoteId, desk: NamedDependency[Desk]) -> None:
    """Cancel the visit; it is not announced any more."""
    wanted = wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = _planned(await recheck_visits.hold(tx, quote_id))
        require(wanted, _tag(seen))
        if seen.state == "done":
            raise CotterlineError("wrong-state", "The re-check was done already; there is nothing to cancel.")
        await VisitChange(tx, quote_id, desk.caller.key_id, desk.stamp.now).end(seen, "cancelled")


@get(
    "/v1/recheck-visits",
    operation_id="listRecheckVisits",
    tags=["fit-reports"],
    summary="List re-check visits",
    opt={
        "scope": "read",
        "examples": {"one": Example("One visit", lambda: RecheckVisitList(visits=(example_visit(),)))},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
    at: Annotated[VisitState | None, QueryParameter(name="state", description="Only visits in this state.")] = None,
) -> Response[RecheckVisitList]:
    """Give a page of the shop's re-check visits in this mode, those planned last first."""
    after = places.decode(cursor, "recheck_visits") if cursor else None
    async with database.read(caller.tenant) as tx:
        found = _listed(await recheck_visits.page(tx, at, after, limit))
    address = f"{call_of(request.scope).base_url}/v1/recheck-visits"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit, state=at))
