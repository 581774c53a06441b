"""Query parameters, read strictly: known, given once, and written as their type is.

Litestar ignores a name it does not know, takes one of several values and reads "yes" as true; a mistyped parameter
would quietly do nothing.
"""

import functools
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Annotated, Any, Final, Literal, get_args, get_origin
from urllib.parse import parse_qsl
from uuid import UUID

from litestar import Request
from litestar.handlers import HTTPRouteHandler
from litestar.params import QueryParameter
from litestar.typing import FieldDefinition

from cotterline.api.problems import MAX_ERRORS, ProblemError, RequestRefusedError

Derivation = Annotated[
    bool,
    QueryParameter(
        description="Whether the answer carries its derivation: every step with formula, inputs, value and source."
    ),
]

_INSTANT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?([Zz]|[+-][0-9]{2}:[0-9]{2})", re.ASCII
)
_HEX: Final = "[0-9A-Fa-f]"
_UUID: Final = re.compile(f"{_HEX}{{8}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{4}}-{_HEX}{{12}}")
_WRITTEN: Mapping[type, tuple[re.Pattern[str], str]] = {
    bool: (re.compile(r"true|false"), "must be true or false"),
    datetime: (_INSTANT, "must be a time with its offset, such as 2024-05-01T09:30:00Z (RFC 3339)"),
    int: (re.compile(r"-?[0-9]{1,15}", re.ASCII), "must be a whole number"),
    UUID: (_UUID, "must be a UUID with its hyphens (RFC 9562, section 4)"),
}
_TEXT = (re.compile(r"[^\0]*"), "must not contain the character U+0000")
_RESERVED = {"body", "cookies", "data", "headers", "query", "request", "scope", "state"}
_MAX_NAME = 100


async def check_query(request: Request[Any, Any, Any]) -> None:
    """Refuse a query that is not wholly understood; runs before every handler but those of ``opt={"strays": True}``.

    Such is a page whose address goes through people's mail: programs on its way add parameters of their own to it.

    Raises:
        RequestRefusedError: ``invalid-parameter`` naming each parameter at fault, or ``malformed-request``.
    """
    query = request.scope["query_string"]
    if not query or request.route_handler.opt.get("strays"):
        return
    try:
        pairs = parse_qsl(query.decode("ascii"), keep_blank_values=True, errors="strict")
    except ValueError as error:
        raise RequestRefusedError("malformed-request", "The query is not UTF-8, percent-encoded.") from error
    found = [*_query_errors(pairs, query_types(request.route_handler))]
    if found:
        raise RequestRefusedError("invalid-parameter", "A parameter was refused.", found[:MAX_ERRORS])


def _query_errors(pairs: list[tuple[str, str]], known: Mapping[str, Any]) -> Iterator[ProblemError]:
    names = Counter(name for name, _ in pairs)
    for name in names:
        if name not in known:
            yield ProblemError(parameter=name[:_MAX_NAME], detail="is not a parameter of this path")
        elif names[name] > 1:
            yield ProblemError(parameter=name, detail="is given more than once")
    for name, value in pairs:
        pattern, words = _written(known.get(name, str))
        if name in known and not pattern.fullmatch(value):
            yield ProblemError(parameter=name, detail=words)


@functools.cache
def _written(kind: Any) -> tuple[re.Pattern[str], str]:  # noqa: ANN401 - any annotation
    """How a parameter of that type is written, and the words for one that is not."""
    if get_origin(kind) is Literal:
        return re.compile("|".join(map(re.escape, get_args(kind)))), f"must be one of {', '.join(get_args(kind))}"
    return _WRITTEN.get(kind, _TEXT)


@functools.cache
def query_types(handler: HTTPRouteHandler) -> Mapping[str, Any]:
    """The query parameters a handler takes, each with its type freed of ``None``."""
    taken = handler.parsed_fn_signature.parameters
    elsewhere = handler.dependency_name_set | _RESERVED
    own = {name: field for name, field in taken.items() if name not in elsewhere | path_names(handler)}
    return {wire_name(name, field): _plain(field) for name, field in own.items()}


def wire_name(name: str, field: FieldDefinition) -> str:
    """What a parameter is called in the query, where the handler cannot call it so: Litestar keeps some names."""
    return getattr(field.kwarg_definition, "name", None) or name


def path_names(handler: HTTPRouteHandler) -> set[str]:
    """The names of the path parameters a handler takes."""
    return set(re.findall(r"{(\w+):", "".join(handler.paths)))


def _plain(field: Any) -> Any:  # noqa: ANN401 - Litestar's field definition
    inner = [part.annotation for part in field.inner_types if not part.is_none_type] if field.is_optional else []
    return inner[0] if inner else field.annotation
