"""Events: everything that happened to a shop's quotes and orders, in order, for whoever missed a post."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter
from msgspec import Raw

from cotterline.api.caller import Caller
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit
from cotterline.api.problems import call_of
from cotterline.api.told_events import EVENT_KINDS, AnyEvent, Trial
from cotterline.bench.errors import CotterlineError
from cotterline.bench.events import EventType
from cotterline.store import events
from cotterline.store.database import Database
from cotterline.store.events import EventRow

PATH: Final = "/v1/events"
MAX_POSITION: Final = 10**15 - 1
Position = Annotated[int, PathParameter(ge=1, le=MAX_POSITION, description="The event's position.")]


class EventList(msgspec.Struct, frozen=True, kw_only=True):
    """Some events, the earliest first.

    Attributes:
        events: at most as many as asked for, each as it was posted.
        next_after: what to ask behind the next time; nothing of the types asked for lies between.
        first_position: position of the first event that is kept; one behind the last where none is.
        last_position: position of the last event there is; 0 where there is none.
    """

    events: tuple[AnyEvent, ...]
    next_after: int
    first_position: int
    last_position: int


class _RawList(msgspec.Struct, frozen=True, kw_only=True):
    """An :class:`EventList` on the wire, its events passed on as the bytes they are."""

    events: tuple[Raw, ...]
    next_after: int
    first_position: int
    last_position: int


def example_event() -> msgspec.Struct:
    """An event that happened to nothing."""
    return EVENT_KINDS["test.sent"](
        id=f"evt_{UUID(EXAMPLE_ID).hex}",
        timestamp=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
        position=1,
        sequence=1,
        data=Trial(subscription_id=UUID(EXAMPLE_ID)),
    )


def _example() -> EventList:
    return EventList(events=(example_event(),), next_after=1, first_position=1, last_position=1)


@get(
    PATH,
    operation_id="listEvents",
    tags=["events"],
    summary="What happened, from a position on",
    opt={
        "scope": "read",
        "answer": EventList,
        "refusals": (410,),
        "examples": {"one": Example("One event", _example)},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - query parameters and dependencies, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    after: Annotated[
        int, QueryParameter(ge=0, le=MAX_POSITION, description="Only events behind this position; 0 for all.")
    ] = 0,
    event_type: Annotated[
        EventType | None, QueryParameter(name="type", description="Only events of this type.")
    ] = None,
) -> Response[_RawList]:
    """Give the shop's events behind a position, in order: what a missed post would have told, byte for byte.

    Ask again behind `next_after`; whoever does so misses nothing, whatever happens meanwhile. Where the operator keeps
    events for some time only, who comes too late is told so.
    """
    async with database.read(caller.tenant) as tx:
        first = await events.first_position(tx)
        _check_kept(after, first)
        found = await events.after(tx, after, limit, [event_type] if event_type else ())
        last = await events.last_position(tx)
    full = len(found) == limit
    reached = found[-1].position if full else max(after, last)
    listed = _RawList(
        events=tuple(Raw(event.body) for event in found), next_after=reached, first_position=first, last_position=last
    )
    return Response(listed, headers=_next(request, listed, limit, event_type) if full else {})


@get(
    PATH + "/{position:int}",
    operation_id="readEvent",
    tags=["events"],
    summary="Read an event",
    opt={"scope": "read", "answer": AnyEvent, "examples": {"test": Example("A test event", example_event)}},
)
async def read(
    position: Position, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> Response[bytes]:
    """Give one event as it was posted."""
    async with database.read(caller.tenant) as tx:
        found = there(await events.get(tx, position))
    return Response(found.body, media_type="application/json")


def _check_kept(after: int, first: int) -> None:
    """Hold that nothing behind a position is gone; who asks for all from the start is given what there is.

    Raises:
        CotterlineError: ``no-longer-kept``.
    """
    if 0 < after < first - 1:
        anew = f"read what you follow, then go on behind {first - 1}"
        words = f"Events before position {first} are no longer kept: {anew}."
        raise CotterlineError("no-longer-kept", words)


def there(row: EventRow | None) -> EventRow:
    """The event.

    Raises:
        CotterlineError: ``not-found``.
    """
    if row is None:
        raise CotterlineError("not-found", "No event has this position.")
    return row


def _next(request: Request[Any, Any, Any], page: _RawList, limit: int, event_type: EventType | None) -> dict[str, str]:
    query = f"after={page.next_after}&limit={limit}" + (f"&type={event_type}" if event_type else "")
    return {"Link": f'<{call_of(request.scope).base_url}{PATH}?{query}>; rel="next"'}
