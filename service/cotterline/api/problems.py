"""What a refusal looks like on the wire: problem documents (RFC 9457)."""

import traceback
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, NamedTuple

import msgspec
import structlog
from litestar import Request, Response
from litestar.exceptions import HTTPException, ValidationException
from litestar.types import Scope
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from cotterline.bench.errors import CotterlineError, Fault

MEDIA_TYPE = "application/problem+json"
SERVER_ERROR = 500
MAX_ERRORS = 100
"""A document with more faults than this is not being corrected by hand."""

log = structlog.get_logger("cotterline.problems")


class Kind(NamedTuple):
    """What every problem of one type shares."""

    status: int
    title: str
    advice: str


PROBLEMS: Mapping[str, Kind] = {
    "malformed-request": Kind(
        400, "The request cannot be read", "Send one well-formed JSON document in UTF-8, nested no deeper than needed."
    ),
    "idempotency-key-missing": Kind(
        400,
        "This request must carry a key of its own",
        "Send the header Idempotency-Key with a string made for this request, such as a random UUID, and the same one "
        "whenever the same request is sent again.",
    ),
    "unauthenticated": Kind(
        401,
        "A valid key is needed",
        "Send the header Authorization: Bearer and a key of this service. Whoever administers the shop, or the "
        "operator, issues keys and can see whether one was revoked or has expired.",
    ),
    "signature-refused": Kind(
        401,
        "The signature does not hold",
        "Sign the very bytes of the body with the reply secret as Standard Webhooks 1.0 says, name each message by an "
        "id of its own in webhook-id, and send it within five minutes of webhook-timestamp.",
    ),
    "forbidden-scope": Kind(
        403,
        "The key may not do this",
        "Use a key with the scope named in WWW-Authenticate, or have one issued; the API document names the scope of "
        "each operation.",
    ),
    "foreign-form": Kind(
        403,
        "The form was sent from another place",
        "Open the link itself and answer on its page: a form that another site sends is not taken.",
    ),
    "not-found": Kind(
        404, "There is nothing here", "Check the path and the identifier; the API document lists every path."
    ),
    "method-not-allowed": Kind(
        405, "This path does not take this method", "Use one of the methods named in the Allow header."
    ),
    "request-timeout": Kind(408, "The request took too long to arrive", "Send the body at once, then try again."),
    "wrong-state": Kind(
        409,
        "Its state does not allow this",
        "Read it again; the tables at /v1/reference/quote-life, /v1/reference/order-life and "
        "/v1/reference/quote-run-life say what is possible in which state.",
    ),
    "order-not-allowed": Kind(
        409,
        "The parts of this quote may not be ordered",
        "See result.ordering of the quote: it names what stands against an order. Measure it, change the quote's "
        "request and have the new revision approved.",
    ),
    "approval-missing": Kind(
        409,
        "The customer has not agreed to this",
        "Issue the quote and record what the customer agreed to with the act approve; where a new revision ended an "
        "approval, ask again.",
    ),
    "prices-missing": Kind(
        409,
        "Not every part can be ordered",
        "The faults name each line that no supplier is known for. Send parts and prices at /v1/parts and "
        "/v1/price-lists, or name the line in from_stock if the shop has it at hand.",
    ),
    "supplier-missing": Kind(
        409,
        "Nobody knows where to send this order",
        "Put the supplier named in the words at /v1/suppliers/{supplier}, or enable it again.",
    ),
    "too-many-secrets": Kind(
        409,
        "Two secrets for this hold already",
        "Wait until the older one ends, or end it; then make the new one.",
    ),
    "beyond-ceiling": Kind(
        409,
        "This is more than the customer agreed to",
        "Ask the customer, record the higher ceiling with the act extend, and try again; or charge no more than the "
        "ceiling in force, which the quote's approvals show.",
    ),
    "idempotency-key-in-flight": Kind(
        409,
        "The same request is still being worked on",
        "Send it again a little later, with the same key: the answer will be the first one's.",
    ),
    "answer-forgotten": Kind(
        409,
        "The answer to this request is no longer kept",
        "It was done when it was sent first, and is not done again: read what it made. A new request needs a new key.",
    ),
    "too-many-keys": Kind(
        409,
        "Two keys with this label live already",
        "Revoke the key that is no longer used, then issue the new one; or choose another label.",
    ),
    "mismatching-upload-offset": Kind(
        409,
        "The upload has come to another place",
        "Go on from the offset in the header Upload-Offset; the run's received_bytes says the same.",
    ),
    "quota-reached": Kind(
        409,
        "The shop has as much of this as it may",
        "The words name the limit. Take away what is no longer needed, wait until a run has ended or its answers are "
        "no longer kept, or ask the operator for another limit.",
    ),
    "too-many-links": Kind(
        409,
        "This quote has as many open links as it may",
        "End one of them; GET its estimate-links shows which are open.",
    ),
    "no-longer-kept": Kind(
        410,
        "This is no longer kept",
        "Read what you follow anew, then go on from the position that the words name.",
    ),
    "precondition-failed": Kind(
        412,
        "Somebody changed this in the meantime",
        "Read it again, see whether your change still makes sense, and send it with the new ETag in If-Match.",
    ),
    "request-too-large": Kind(
        413,
        "The request is too large",
        "Send less in one request: 16 MiB for a table, 1 MiB for all else, unless the operator set another limit.",
    ),
    "target-too-long": Kind(414, "The address is too long", "Shorten the query; no parameter here needs much."),
    "unsupported-media-type": Kind(
        415, "This kind of body is not understood", "Send application/json in UTF-8, without a content coding."
    ),
    "invalid-body": Kind(
        422,
        "The body does not fit the schema",
        "Correct each member named in errors; the API document gives the schema with an example.",
    ),
    "invalid-parameter": Kind(
        422, "A parameter does not fit the schema", "Correct each parameter named in errors, or leave it out."
    ),
    "patch-outcome": Kind(
        422,
        "The patch makes something that does not fit the schema",
        "Correct each member named in errors: the pointers lead into the resource as it would be after the patch.",
    ),
    "invalid-table": Kind(
        422,
        "The table has rows that cannot be taken",
        "Correct each row named in errors and send the table again: nothing of it was kept. Rows are counted as a "
        "spreadsheet does, the header being row 1.",
    ),
    "idempotency-key-reused": Kind(
        422,
        "This key belongs to another request",
        "Give every request a key of its own; the same key only says that the very same request is sent again.",
    ),
    "bad-cursor": Kind(
        422, "The cursor was not issued by this service", "Use next_cursor of the page before, unchanged, or none."
    ),
    "impossible-value": Kind(
        422,
        "A value cannot be right",
        "Measure again: each member named in errors lies outside anything the trade has built.",
    ),
    "evidence-conflict": Kind(
        422,
        "The evidence cannot belong together",
        "Leave out or correct one of the entries named in errors; one bicycle cannot show them all.",
    ),
    "measurement-missing": Kind(
        422, "A measurement is missing", "Add what errors asks for: nothing is guessed that can be measured."
    ),
    "payload-unstorable": Kind(
        422, "The body holds something that cannot be stored", "Take out the characters or numbers named in errors."
    ),
    "precondition-required": Kind(
        428,
        "A change must say which version it changes",
        "Read the resource and send its ETag in the header If-Match.",
    ),
    "rate-limited": Kind(
        429,
        "Too many requests",
        "Wait as many seconds as Retry-After says, then go on; RateLimit tells in every answer how many are left.",
    ),
    "header-too-large": Kind(
        431, "The header is too large", "Send fewer or shorter header fields; cookies are not used here."
    ),
    "internal-error": Kind(
        500, "The service failed", "Nothing was stored. Try again; if it persists, quote the instance to the operator."
    ),
    "unavailable": Kind(
        503, "The service cannot work right now", "Nothing was stored. Try again after the time in Retry-After."
    ),
    "secrets-unavailable": Kind(
        503,
        "Secrets cannot be kept or read here",
        "Nothing was stored. The operator must set COTTERLINE_SECRET_KEYS for every process of the service.",
    ),
}
"""Problem code to status, constant title and advice: the one table."""

_BY_STATUS = {400: "malformed-request", 404: "not-found", 405: "method-not-allowed", 413: "request-too-large"}


class ProblemError(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One thing wrong with the request.

    Attributes:
        pointer: where in the body, as a JSON pointer (RFC 6901).
        parameter: which query parameter, where the fault is not in the body.
        row: which row of a table, counted as a spreadsheet does, the header being row 1.
        column: which column of a table.
        detail: what is wrong, in words.
    """

    pointer: str | msgspec.UnsetType = msgspec.UNSET
    parameter: str | msgspec.UnsetType = msgspec.UNSET
    row: int | msgspec.UnsetType = msgspec.UNSET
    column: str | msgspec.UnsetType = msgspec.UNSET
    detail: str


class Problem(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A refusal or failure (RFC 9457).

    Attributes:
        type: names the kind of problem; resolves on this service to a page about it.
        title: the kind of problem in words, the same for every problem of one type.
        status: the HTTP status.
        detail: what went wrong this time.
        instance: names this one request; the same id as in the X-Request-Id header and the log.
        errors: everything found wrong with the request, at most 100.
    """

    type: str
    title: str
    status: Annotated[int, msgspec.Meta(ge=400, le=599)]
    detail: str
    instance: str
    errors: tuple[ProblemError, ...] = ()


class RequestRefusedError(Exception):
    """A request refused before it reached the core: ``code`` is a key of ``PROBLEMS``."""

    def __init__(
        self,
        code: str,
        detail: str,
        errors: Iterable[ProblemError] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail
        self.errors = tuple(errors)
        self.headers = dict(headers or {})


def body_errors(faults: Sequence[Fault]) -> tuple[ProblemError, ...]:
    """Faults of the body as the wire shows them, the first hundred."""
    return tuple(ProblemError(detail=fault.detail, pointer=fault.pointer) for fault in faults[:MAX_ERRORS])


def refusal_of(error: Exception) -> RequestRefusedError:
    """Any exception as a refusal that says nothing an outsider should not read."""
    if isinstance(error, RequestRefusedError):
        return error
    if isinstance(error, CotterlineError):
        return RequestRefusedError(error.code, error.detail, body_errors(error.faults))
    if isinstance(error, ValidationException):
        return RequestRefusedError("invalid-parameter", "A parameter was refused.", _parameter_errors(error.extra))
    if isinstance(error, HTTPException) and error.status_code in _BY_STATUS:
        code = _BY_STATUS[error.status_code]
        return RequestRefusedError(code, PROBLEMS[code].advice, headers=error.headers)
    if isinstance(error, _OUTAGES) or _passing(error):
        return RequestRefusedError("unavailable", "A part this request needs did not answer.", headers=_SOON)
    return RequestRefusedError("internal-error", "The request could not be completed.")


_OUTAGES = (OSError, InterfaceError, OperationalError, PoolTimeoutError)
"""What the database raises while it is away, refuses connections, or has no connection free."""

_SOON = {"Retry-After": "5"}


_PASSING = ("08", "40", "53", "55P03", "57")
"""SQLSTATEs, or their classes, of what passes by itself: a connection that was lost, a transaction given up in favour
of another, no resources, a lock or an answer that did not come in time, a server that stops (PostgreSQL 18
documentation, appendix A)."""


def _passing(error: Exception) -> bool:
    """Whether PostgreSQL said that another time it might well do what was asked, or left without a word.

    A connection closed while a statement is under way may come as an error of the driver's own, without a state.
    """
    if not isinstance(error, DBAPIError):
        return False
    return error.connection_invalidated or str(getattr(error.orig, "sqlstate", None)).startswith(_PASSING)


def _parameter_errors(extra: Any) -> Iterable[ProblemError]:  # noqa: ANN401 - Litestar's own loose shape
    for item in extra if isinstance(extra, list) else ():
        yield ProblemError(detail=str(item["message"]), parameter=str(item.get("key", "")))


class Call(msgspec.Struct, frozen=True):
    """What the edge tells the layers inside about a request, and what they tell the edge.

    Attributes:
        request_id: names the request.
        base_url: address the service is reached at.
        is_head: whether nothing of the answer's body is sent.
        headers: set by a layer inside for whatever answer it becomes, a refusal included.
        logged: set by a layer inside for the request's log line: names of things, never what was sent.
    """

    request_id: str
    base_url: str
    is_head: bool = False
    headers: dict[str, str] = msgspec.field(default_factory=dict)
    logged: dict[str, str] = msgspec.field(default_factory=dict)


def call_of(scope: Scope) -> Call:
    """What the edge left in the connection's scope."""
    call: Call = scope["state"]["call"]
    return call


def document(refusal: RequestRefusedError, call: Call) -> Problem:
    """The problem document for ``refusal``."""
    kind = PROBLEMS[refusal.code]
    return Problem(
        type=f"{call.base_url}/problems/{refusal.code}",
        title=kind.title,
        status=kind.status,
        detail=refusal.detail,
        instance=f"urn:uuid:{call.request_id}",
        errors=refusal.errors,
    )


def answer(request: Request[Any, Any, Any], error: Exception) -> Response[Problem]:
    """The response to any exception a handler lets through."""
    refusal = refusal_of(error)
    call = call_of(request.scope)
    log_failure(error, refusal, call)
    problem = document(refusal, call)
    return Response(problem, status_code=problem.status, headers=refusal.headers, media_type=MEDIA_TYPE)


def log_failure(error: Exception, refusal: RequestRefusedError, call: Call) -> None:
    """Log where the service failed, if it did; a refusal is not a failure.

    Never the message: it may quote the body, a row or an address with a password in it.
    """
    if PROBLEMS[refusal.code].status >= SERVER_ERROR:
        frames = [
            f"{frame.name} ({frame.filename}:{frame.lineno})" for frame in traceback.extract_tb(error.__traceback__)
        ]
        log.error("request failed", request_id=call.request_id, error=type(error).__qualname__, frames=frames[-12:])


HANDLERS: Mapping[int | type[Exception], Any] = {Exception: answer, HTTPException: answer}
