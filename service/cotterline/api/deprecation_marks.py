"""What the API document says of what will go: a mark at each thing, and headers at each answer that may speak of it."""

import copy
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from litestar.handlers import HTTPRouteHandler

from cotterline.api.deprecations import LEAST, PATH, Deprecation, concerning
from cotterline.api.named_schemas import PREFIX

_HEADERS: Final[Mapping[str, Any]] = {
    "Deprecation": {
        "description": f"Since when something of this call is deprecated, as `@` and seconds since 1970 (RFC 9745); "
        f"the page at `{PATH}` says what, and what to do instead.",
        "schema": {"type": "string", "pattern": r"^@[0-9]{1,11}(?![\s\S])"},
    },
    "Sunset": {
        "description": f"When it goes (RFC 8594), no less than {LEAST.days} days after it was deprecated.",
        "schema": {"type": "string"},
    },
}

_NOT_ROUTED: Final = {"414", "431"}
"""What is refused before it is known which operation was meant."""

Operations = Iterable[tuple[HTTPRouteHandler, dict[str, Any]]]


def mark(document: dict[str, Any], operations: Operations, rows: Sequence[Deprecation]) -> dict[str, Any]:
    """Return the document with everything marked that rows name.

    Args:
        document: without marks.
        operations: each handler with what the document says of it, which is changed in place.
        rows: what will go.

    Raises:
        LookupError: a row names what is not in the document.
    """
    by_id = {handler.operation_id: (handler, operation) for handler, operation in operations}
    for row in rows:
        place = _place(row, document["components"]["schemas"], {name: each for name, (_, each) in by_id.items()})
        place["deprecated"] = True
        place["description"] = f"{place['description']} {row.words}"
    shared = document["components"]["responses"]
    for handler, operation in by_id.values():
        if found := [*concerning(handler, rows)]:
            names = ["Deprecation", "Link", *(["Sunset"] if any(row.until for row in found) else [])]
            operation["responses"] = {
                status: answer if status in _NOT_ROUTED else _with_headers(answer, shared, names)
                for status, answer in operation["responses"].items()
            }
    components = document["components"]
    declared = {**components["headers"], **(_HEADERS if rows else {})}
    return {**document, "components": {**components, "headers": declared}}


def _place(row: Deprecation, schemas: Mapping[str, Any], operations: Mapping[Any, dict[str, Any]]) -> dict[str, Any]:
    try:
        if row.member:
            schema, _, member = row.member.partition(".")
            place: dict[str, Any] = schemas[schema]["properties"][member]
        elif row.parameter:
            taken = {each["name"]: each for each in operations[row.operation]["parameters"]}
            place = taken[row.parameter]
        else:
            place = operations[row.operation]
    except KeyError as error:
        raise LookupError(f"{row.name} is deprecated, and is not in the API document") from error
    return place


def _with_headers(answer: Mapping[str, Any], shared: Mapping[str, Any], names: Iterable[str]) -> dict[str, Any]:
    """An answer of one operation; one that many share is written out, as theirs say nothing of this."""
    own = copy.deepcopy(dict(shared[answer["$ref"].rpartition("/")[2]] if "$ref" in answer else answer))
    said = {name: {"$ref": f"{PREFIX.replace('schemas', 'headers')}{name}"} for name in names}
    return {**own, "headers": {**own.get("headers", {}), **said}}
