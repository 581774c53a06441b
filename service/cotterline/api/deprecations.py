"""What of the API will go: one table, and what an answer says of it (RFC 9745, RFC 8594).

A row is added when something better is there, and taken away together with what it names. Nothing else has to be done:
headers, the marks of the API document and the page at ``/deprecations`` follow from it.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from functools import cache
from typing import Any, Final
from urllib.parse import parse_qsl

import msgspec
from litestar import Request
from litestar.handlers import HTTPRouteHandler

from cotterline.api.operation import answer_kind, body_kind
from cotterline.api.problems import call_of
from cotterline.api.schemas import structs

PATH: Final = "/deprecations"
"""Where the page about them is."""

LEAST: Final = timedelta(days=365)
"""How long a thing goes on being answered, at least, once it is said that it will go."""


class Deprecation(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Something that will go.

    >>> row = Deprecation(operation="listQuotes", since=datetime(2030, 5, 1, tzinfo=UTC), instead="Use listJobs.")
    >>> (row.name, row.words)
    ('listQuotes', 'Deprecated since 2030-05-01. Use listJobs.')

    Attributes:
        operation: the `operationId` of what will go, or of what takes the parameter.
        parameter: of the operation, in the query or a header, where that alone will go.
        member: of bodies and answers, where that alone will go: the schema, a full stop, the member.
        since: when it was said.
        until: when it goes, where that is known: it is answered as ever before.
        instead: what to do instead, in a sentence.

    Raises:
        ValueError: it names nothing or more than one thing, or goes sooner than :data:`LEAST` after it was said.
    """

    operation: str | msgspec.UnsetType = msgspec.UNSET
    parameter: str | msgspec.UnsetType = msgspec.UNSET
    member: str | msgspec.UnsetType = msgspec.UNSET
    since: datetime
    until: datetime | msgspec.UnsetType = msgspec.UNSET
    instead: str

    def __post_init__(self) -> None:
        """Hold what a row must be."""
        if bool(self.operation) == bool(self.member) or (self.parameter and not self.operation):
            raise ValueError("a deprecation names an operation, a parameter of one, or a member")
        if self.until and self.until < self.since + LEAST:
            raise ValueError(f"{self.name} would go within {LEAST.days} days")

    @property
    def name(self) -> str:
        """The operation, the operation with its parameter, or the member."""
        return "?".join(str(part) for part in (self.operation, self.parameter, self.member) if part)

    @property
    def words(self) -> str:
        """What there is to say of it."""
        end = f" and goes on {self.until:%Y-%m-%d}" if self.until else ""
        return f"Deprecated since {self.since:%Y-%m-%d}{end}. {self.instead}"


DEPRECATIONS: Final[tuple[Deprecation, ...]] = ()
"""What of this version will go."""


def concerning(handler: HTTPRouteHandler, rows: Sequence[Deprecation]) -> Iterator[Deprecation]:
    """Those that have to do with an operation, whatever a single call of it asks."""
    for row in rows if handler.operation_id else ():
        if row.operation == handler.operation_id or (row.member and row.member.partition(".")[0] in _reached(handler)):
            yield row


@cache
def _reached(handler: HTTPRouteHandler) -> frozenset[str]:
    """The names of every schema that an operation's body and answer lead to."""
    return frozenset(kind.__name__ for kind in structs([body_kind(handler), answer_kind(handler)]))


def tell(request: Request[Any, Any, Any]) -> None:
    """Have the answer, whatever it becomes, say what of this request will go, and the log line name it.

    A parameter is spoken of where it was sent. A member is spoken of wherever it could be: nobody can see what of an
    answer a client reads.
    """
    rows: tuple[Deprecation, ...] = request.app.state.deprecations
    found = [row for row in concerning(request.route_handler, rows) if not row.parameter or _sent(request, row)]
    if found:
        call = call_of(request.scope)
        call.headers.update(headers(found, call.base_url))
        call.logged["deprecated"] = ", ".join(row.name for row in found)


def _sent(request: Request[Any, Any, Any], row: Deprecation) -> bool:
    query = request.scope["query_string"].decode("latin-1")
    return row.parameter in dict(parse_qsl(query, keep_blank_values=True)) or str(row.parameter) in request.headers


def headers(rows: Sequence[Deprecation], base_url: str) -> Mapping[str, str]:
    """What an answer says of rows, of which there is at least one: when the first began to go, and when the first goes.

    >>> row = Deprecation(operation="listQuotes", since=datetime(2030, 5, 1, tzinfo=UTC), instead="Use listJobs.")
    >>> headers([row], "")
    {'Deprecation': '@1903824000', 'Link': '</deprecations>; rel="deprecation"; type="text/html"'}
    """
    ends = [row.until for row in rows if row.until]
    relations = ("deprecation", "sunset") if ends else ("deprecation",)
    links = ", ".join(f'<{base_url}{PATH}>; rel="{relation}"; type="text/html"' for relation in relations)
    said = {"Deprecation": f"@{int(min(row.since for row in rows).timestamp())}", "Link": links}
    return said | ({"Sunset": format_datetime(min(ends).astimezone(UTC), usegmt=True)} if ends else {})
