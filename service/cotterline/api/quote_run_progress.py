"""The progress of a run, told as it changes: server-sent events (WHATWG, HTML Living Standard, section 9.2)."""

import asyncio
from collections.abc import AsyncGenerator, Mapping
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.types import ASGIApp

from cotterline.api.caller import Caller, check_key
from cotterline.api.header_parameters import LAST_EVENT_ID, LONGEST_EVENT_ID
from cotterline.api.long_answers import LongAnswer, LongAnswers, Place
from cotterline.api.problems import Problem, RequestRefusedError
from cotterline.api.quote_run_examples import example_run
from cotterline.api.quote_run_uploads import QuoteRunId, find
from cotterline.api.quote_runs import PATH
from cotterline.bench.quote_run_life import OPEN
from cotterline.delivery.quote_run_events import QuoteRun, told
from cotterline.store.database import Database

EVENT_STREAM: Final = "text/event-stream"

LOOK_SECONDS: Final = 1.0
"""How often the run is looked at, and so how often at most it is told."""

HEARTBEAT_SECONDS: Final = 15.0
"""After how long without an event a comment is sent, as that standard advises: what lies between may cut a silence."""

RETRY_SECONDS: Final = 3

_NO_CONTENT: Final = 204


def event(name: str, data: object, identity: int | None = None) -> bytes:
    r"""One event.

    >>> event("progress", {"parts": 2}, 7)
    b'event: progress\nid: 7\ndata: {"parts":2}\n\n'
    """
    named = f"event: {name}\n" + ("" if identity is None else f"id: {identity}\n")
    return named.encode() + b"data: " + msgspec.json.encode(data) + b"\n\n"  # JSON has no line ends of its own


class QuoteRunEvents:
    """What is told of one run.

    Args:
        database: where the run is kept.
        caller: to whom.
        run_id: the run.
        last_event_id: of the event that the client had last; empty for none.
    """

    def __init__(self, database: Database, caller: Caller, run_id: UUID, last_event_id: str) -> None:
        self._database, self._caller, self._run_id = database, caller, run_id
        self._told = last_event_id
        self._news: QuoteRun | None = None
        self.is_open = True

    @property
    def is_over(self) -> bool:
        """Whether the client has been told all there will be: a run that has ended."""
        return self._news is None and not self.is_open

    async def look(self) -> None:
        """See whether there is news.

        Raises:
            CotterlineError: ``not-found``.
            RequestRefusedError: ``unauthenticated``.
        """
        now = datetime.now(UTC)
        async with self._database.read(self._caller.tenant) as tx:
            await check_key(tx, self._caller, now)
            row = await find(tx, self._run_id)
            self.is_open = row.state in OPEN
            self._news = await told(tx, row, now) if str(row.version) != self._told else None

    def headers(self) -> Mapping[str, str]:
        """The media type."""
        return {"Content-Type": EVENT_STREAM}

    async def pieces(self, place: Place) -> AsyncGenerator[bytes, None]:
        """Each change of the run until it has ended, and comments where nothing changes."""
        clock = asyncio.get_running_loop().time
        begun = spoken = clock()
        yield f"retry: {RETRY_SECONDS * 1000}\n\n".encode()
        while True:
            if self._news or clock() - spoken >= HEARTBEAT_SECONDS:
                spoken = clock()
                yield self._say()
            if not self.is_open or place.ended or clock() - begun >= place.quiet_seconds:
                return
            await place.wait(LOOK_SECONDS)
            await self.look()

    def broken(self, problem: Problem) -> bytes:
        """The problem as an event of its own."""
        return event("problem", problem)

    def _say(self) -> bytes:
        news, self._news = self._news, None
        if news is None:
            return b":\n\n"
        self._told = str(news.version)
        return event("progress", news, news.version)


@get(
    PATH + "/{quote_run_id:uuid}/progress",
    operation_id="followQuoteRun",
    tags=["quote-runs"],
    summary="Follow a run as it goes",
    opt={
        "scope": "read",
        "takes": [LAST_EVENT_ID],
        "content": {
            EVENT_STREAM: {  # without a schema: up to OpenAPI 3.1 it is open whether one is of the text or of an event
                "examples": {
                    "finished": {
                        "summary": "A run that is finished",
                        "value": event("progress", example_run(), example_run().version).decode(),
                    }
                },
            }
        },
        "also": {"204": {"description": "The run has ended, and Last-Event-ID names the event that said so."}},
    },
)
async def read(
    request: Request[Any, Any, Any],
    quote_run_id: QuoteRunId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    long_answers: NamedDependency[LongAnswers],
) -> ASGIApp:
    """Send an event `progress` with the run at once and at every change, at most one a second, until it has ended.

    It ends after ten minutes too, and the client comes again after the time named in `retry`; where the run has ended
    and its last event was received, the answer is then 204, at which a client comes no more. An event `problem` says
    why nothing more can be told.
    """
    last = request.headers.get(LAST_EVENT_ID, "")
    if len(last) > LONGEST_EVENT_ID:
        raise RequestRefusedError("malformed-request", f"{LAST_EVENT_ID} exceeds {LONGEST_EVENT_ID} characters.")
    events = QuoteRunEvents(database, caller, quote_run_id, last)
    await events.look()
    if events.is_over:
        return Response(None, status_code=_NO_CONTENT).to_asgi_response(None, request)
    return LongAnswer(long_answers, caller.tenant, events)
