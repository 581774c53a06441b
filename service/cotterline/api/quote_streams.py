"""Quotes by the stream: bicycles come in and answers go out at the same time, in order; nothing is kept of either.

The bench's work is done in a thread of its own, which asks for more of the body when it has answered all there was. So
memory does not grow with the stream, and who does not read is not read from.
"""

from codecs import BOM_UTF8
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final, NamedTuple

from anyio import CapacityLimiter, from_thread, to_thread
from litestar import Request, post
from litestar.di import NamedDependency
from litestar.types import ASGIApp, Receive, Scope, Send

from cotterline.api import examples
from cotterline.api.bicycles.bike import MAX_BYTES, Bike, Quoted, Refused, UnreadableError, answer
from cotterline.api.bicycles.forms import CONTENT, FORMS, JSON_LINES, MEDIA, READERS, TEXT
from cotterline.api.bicycles.told import Summary, Teller, teller_of
from cotterline.api.body import CSV, content_kind
from cotterline.api.caller import Caller
from cotterline.api.kept_quote import Stamp
from cotterline.api.long_answers import Sending, UnreadError, hold_share
from cotterline.api.named_schemas import PREFIX
from cotterline.api.parameters import Derivation
from cotterline.api.preferences import APPLIED, PREFER, RESPOND_ASYNC, prefers
from cotterline.api.problems import RequestRefusedError, call_of, document, log_failure, refusal_of
from cotterline.api.quote_run_limits import QuoteRunLimits
from cotterline.api.quote_runs import Maker, QuoteRunRequest
from cotterline.api.quote_runs_of_bodies import made_of
from cotterline.bench.workshop import Workshop
from cotterline.store.database import Database
from cotterline.store.quote_runs import BicycleForm
from cotterline.store.tenancy import Tenant

MOST: Final = 4
"""Streams that one process serves at once: each is worth a core."""

MOST_OF_ONE: Final = 3
"""Of them to one tenant, so that others find room."""

_FLUSH: Final = 64 * 1024
"""Bytes of answers that are sent together where more of the body is there already."""

_LIMITER: Final = CapacityLimiter(MOST)
_HELD: Final[list[Tenant]] = []
"""Whose streams this process serves now."""

_EXAMPLE: Final = examples.line("whole_job")


class Forms(NamedTuple):
    """In which bicycles come and answers go."""

    bicycles: BicycleForm
    answers: BicycleForm


class Stream:
    """One stream: an ASGI application that answers while it reads.

    Args:
        tenant: who asks.
        forms: of the body and of the answers.
        workshop: whose jobs they are.
        derivation: whether every number says how it came about.
    """

    def __init__(
        self,
        tenant: Tenant,
        forms: Forms,
        workshop: Workshop,
        *,
        derivation: bool,
    ) -> None:
        self._tenant = tenant
        self._reader, self._answers_form = READERS[forms.bicycles], forms.answers
        self._workshop, self._derivation = workshop, derivation
        self._counts = {Quoted: 0, Refused: 0}
        self._out: list[bytes] = []
        self._size = 0
        self._read = False
        self._teller: Teller
        self._receive: Receive
        self._sending: Sending

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve it to its end, or say on its last line why it did not come to that.

        Raises:
            RequestRefusedError: ``unavailable``, where there are as many as there may be.
        """
        hold_share(_HELD, self._tenant, MOST, MOST_OF_ONE)
        _HELD.append(self._tenant)
        try:
            await self._serve(scope, receive, send)
        finally:
            _HELD.remove(self._tenant)

    async def _serve(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._teller = teller_of(self._answers_form, call_of(scope))
        self._receive, self._sending = receive, Sending(send, {"Content-Type": MEDIA[self._answers_form]})
        try:
            await to_thread.run_sync(self._drive, limiter=_LIMITER)
        except Exception as error:
            told = _unreadable(error) if isinstance(error, UnreadableError) else error
            if not self._sending.begun or isinstance(error, UnreadError):
                raise told from error
            refusal = refusal_of(told)
            log_failure(told, refusal, call_of(scope))
            ended = self._summary(complete=False, problem=document(refusal, call_of(scope)))
            await self._sending.put(self._teller.end(ended), more=False)

    def _drive(self) -> None:
        self._write(self._teller.heading())
        for item in self._reader(lines_of(self._part)):
            found = self._answer(item) if isinstance(item, Bike) else item
            self._counts[type(found)] += 1
            self._write(self._teller.answer(found))
        self._write(self._teller.end(self._summary(complete=True)))
        self._flush(more=False)

    def _answer(self, bike: Bike) -> Quoted | Refused:
        return answer(bike, self._workshop, derivation=self._derivation)

    def _summary(self, *, complete: bool, **problem: Any) -> Summary:  # noqa: ANN401 - the one member there may be
        quoted, refused = self._counts[Quoted], self._counts[Refused]
        return Summary(bicycles=quoted + refused, quoted=quoted, refused=refused, complete=complete, **problem)

    def _part(self) -> bytes | None:
        """The next part of the body, once everything before it was answered; None where there is no more."""
        if self._read:
            return None
        if self._counts[Quoted] or self._counts[Refused]:  # a header alone could still turn out to head nothing
            self._flush(more=True)
        message = from_thread.run(self._get)
        self._read = not message.get("more_body", False)
        part: bytes = message.get("body", b"")
        return part

    def _write(self, told: bytes) -> None:
        self._out.append(told)
        self._size += len(told)
        if self._size >= _FLUSH:
            self._flush(more=True)

    def _flush(self, *, more: bool) -> None:
        body, self._out, self._size = b"".join(self._out), [], 0
        if body or not more:
            from_thread.run(partial(self._sending.put, body, more=more))

    async def _get(self) -> Any:  # noqa: ANN401 - an ASGI message
        return await self._receive()


def lines_of(part: Callable[[], bytes | None]) -> Iterator[bytes]:
    r"""The lines of what comes in parts; one that is too long comes in pieces, none of which ends it but the last.

    >>> parts = iter([b"a", b"b\nc", None])
    >>> list(lines_of(lambda: next(parts)))
    [b'ab\n', b'c']
    """
    held, looked = bytearray(), 0  # what was looked through is not looked through again when a byte is added
    begun = False
    while (more := part()) is not None:
        held += more
        if not begun and len(held) < len(BOM_UTF8):
            continue
        if not begun and held.startswith(BOM_UTF8):
            del held[: len(BOM_UTF8)]
        begun = True
        yield from _ended(held, looked)
        while len(held) > MAX_BYTES:
            yield bytes(held[: MAX_BYTES + 1])
            del held[: MAX_BYTES + 1]
        looked = len(held)
    yield from _ended(held, looked)
    if held:
        yield bytes(held)


def _ended(held: bytearray, looked: int) -> Iterator[bytes]:
    """The lines of ``held`` that have come to their end, taken out of it; none ends before ``looked``."""
    start = 0
    while end := held.find(b"\n", max(start, looked)) + 1:
        yield bytes(held[start:end])
        start = end
    del held[:start]


def _unreadable(error: UnreadableError) -> RequestRefusedError:
    return RequestRefusedError("invalid-table", f"The body cannot be read as bicycles: {error}.")


_A_RUN_INSTEAD: Final = {
    "202": {
        "description": "A run of these bicycles, where that was preferred.",
        "headers": {name: {"$ref": f"#/components/headers/{name}"} for name in ("Location", APPLIED)},
        "content": {"application/json": {"schema": {"$ref": f"{PREFIX}QuoteRun"}}},
    }
}


@post(
    "/v1/quotes/stream",
    status_code=200,
    operation_id="streamQuotes",
    tags=["quotes"],
    summary="Do the whole job for a stream of bicycles",
    request_max_body_size=None,
    opt={
        "scope": "quote",
        "streamed": True,
        "body": {
            JSON_LINES: {**TEXT, "examples": {"one-line": {"summary": "One bicycle", "value": _EXAMPLE}}},
            CSV: TEXT,
        },
        "content": CONTENT,
        "takes": [PREFER],
        "refusals": (409,),
        "also": _A_RUN_INSTEAD,
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    workshop: NamedDependency[Workshop],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
    quote_run_limits: NamedDependency[QuoteRunLimits],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> ASGIApp:
    """Answer each bicycle while the next ones come: one JSON line for each line, or one row for each row.

    A line or row that cannot be quoted is answered in its place with a problem, and the others go on. The last line is
    a summary, with `complete` true where the stream was read to its end. Nothing is kept. Send `text/csv` with the
    columns of `cotterline quote --help` for rows instead of JSON; `Accept` chooses what comes back, the same form
    unless it is there. Read while you send: what is not read is not asked for. With `Prefer: respond-async` the same
    body becomes a run instead, which is answered once all of it has come.
    """
    kind = content_kind(request, *FORMS)
    forms = Forms(FORMS[kind], FORMS[request.accept.best_match([kind, *FORMS], kind)])
    if prefers(request, RESPOND_ASYNC):
        asked = QuoteRunRequest(bicycles_form=forms.bicycles, answers_form=forms.answers, derivation=derivation)
        maker = Maker(caller, quote_run_limits, call_of(request.scope).base_url)
        made = await made_of(request, asked, stamp, maker, database)
        return made.to_asgi_response(None, request)
    return Stream(caller.tenant, forms, workshop, derivation=derivation)
