"""One operation of the OpenAPI document, from its handler.

What a handler's types do not say stands in its ``opt``: ``scope`` (what a key needs to be let in, or None),
``examples`` (name to :class:`Example`), ``answer`` (the struct of the answer where the return type is raw),
``content`` (of an answer in another form than JSON), ``headers`` (names from :data:`HEADERS`), ``links``, ``also``
(further answers that are not problems), ``media`` (of a body that is not plain JSON), ``takes`` (headers it reads) and
``refusals`` (further statuses it refuses with).
"""

from collections.abc import Callable, Iterator, Mapping
from itertools import groupby
from typing import Any, NamedTuple

import msgspec
from litestar import Response
from litestar.handlers import HTTPRouteHandler
from litestar.typing import FieldDefinition

from cotterline.api import problem_words
from cotterline.api.body import CSV, decode, media_type, table_of
from cotterline.api.drafts import (
    EFFECTIVE_WINDOW,
    QUOTA,
    RATE_LIMIT,
    RATE_LIMIT_DRAFT,
    RATE_LIMIT_POLICY,
    REMAINING,
    UPLOAD_COMPLETE,
    UPLOAD_DRAFT,
    UPLOAD_OFFSET,
    WINDOW,
)
from cotterline.api.header_parameters import header_parameters, header_refusals
from cotterline.api.named_schemas import PREFIX
from cotterline.api.parameters import path_names, query_types, wire_name
from cotterline.api.problems import MEDIA_TYPE, PROBLEMS, Call, Problem
from cotterline.api.schemas import settle

EXAMPLE_ID = "01900000-0000-7000-8000-000000000000"
"""Stands in an example wherever an answer carries an id made for one request."""

HEADERS: Mapping[str, Any] = {
    "X-Request-Id": {"description": "Names this request in the log.", "schema": {"type": "string", "format": "uuid"}},
    "Content-Location": {"description": "Where this very version can be read.", "schema": {"type": "string"}},
    "Idempotency-Replayed": {
        "description": "`true` on an answer given before under the same key.",
        "schema": {"type": "string", "const": "true"},
    },
    "Location": {"description": "Where the thing made can be read.", "schema": {"type": "string"}},
    "Link": {
        "description": "What this leads to (RFC 8288): as rel=next the next page; as rel=deprecation and rel=sunset "
        "what is said of something deprecated.",
        "schema": {"type": "string"},
    },
    "ETag": {"description": "Names these bytes (RFC 9110, section 8.8.3).", "schema": {"type": "string"}},
    "Preference-Applied": {
        "description": "The preference that was followed (RFC 7240, section 3).",
        "schema": {"type": "string", "const": "respond-async"},
    },
    UPLOAD_OFFSET: {
        "description": f"Bytes of the upload that are kept: go on from there ({UPLOAD_DRAFT}).",
        "schema": {"type": "integer", "minimum": 0},
    },
    UPLOAD_COMPLETE: {
        "description": f"`?1` once the upload is whole ({UPLOAD_DRAFT}).",
        "schema": {"type": "string", "enum": ["?0", "?1"]},
    },
    "WWW-Authenticate": {
        "description": "Bearer, and what is wrong with the key (RFC 6750, section 3).",
        "schema": {"type": "string"},
    },
    "Retry-After": {"description": "Seconds to wait before trying again.", "schema": {"type": "integer"}},
    RATE_LIMIT: {
        "description": (
            f"What is left of each: `{REMAINING}` requests, and `{EFFECTIVE_WINDOW}` seconds until it is full, or "
            f"until the next request where none is left ({RATE_LIMIT_DRAFT}). Left out where there is no limit."
        ),
        "schema": {"type": "string"},
    },
    RATE_LIMIT_POLICY: {
        "description": (
            f"The limits that hold: `{QUOTA}` requests at once, gained again over `{WINDOW}` seconds "
            f"({RATE_LIMIT_DRAFT}). Left out where there is no limit."
        ),
        "schema": {"type": "string"},
    },
}

NOT_MODIFIED: Mapping[str, Any] = {"304": {"description": "The copy named in If-None-Match is still right."}}

_REFUSALS: Mapping[int, str] = {
    400: "Malformed",
    401: "Unauthenticated",
    403: "Forbidden",
    404: "NotFound",
    408: "Late",
    409: "Conflict",
    410: "Removed",
    412: "Overtaken",
    413: "TooLarge",
    414: "TargetTooLong",
    415: "WrongMediaType",
    422: "Refused",
    428: "VersionRequired",
    429: "RateLimited",
    431: "HeaderTooLarge",
    500: "Failed",
    503: "Unavailable",
}
"""Names of the shared problem answers. 405 belongs to a path's missing methods, so no operation gives it."""

_HEADERS_OF: Mapping[int, list[str]] = {
    401: ["WWW-Authenticate"],
    403: ["WWW-Authenticate"],
    429: ["Retry-After", RATE_LIMIT, RATE_LIMIT_POLICY],
    503: ["Retry-After"],
}
"""Headers that answers of a status carry besides."""

SECURITY = "key"
SECURITY_SCHEMES: Mapping[str, Any] = {
    SECURITY: {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "cotl_{live|test}_{id}_{secret and checksum}",
        "description": (
            "A key of the shop. It sees the shop's live or its test data and nothing else. Each operation names the "
            "scope it needs: read, quote, order or administer; none includes another."
        ),
    }
}

_NO_NUL = "^[^\\u0000]*(?![\\s\\S])"
"""What ``api/parameters.py`` lets pass of any text; ``$`` would let a line end pass besides."""

_LIMITS = {"ge": "minimum", "le": "maximum", "min_length": "minLength", "max_length": "maxLength", "pattern": "pattern"}


class Example(NamedTuple):
    """One exchange shown in the document: a request body, if there is one, and what makes the answer from it."""

    summary: str
    answer: Callable[..., Any]
    body: bytes | None = None


def body_kind(handler: HTTPRouteHandler) -> Any:  # noqa: ANN401 - any annotation
    """The struct of the request body, if the handler takes one."""
    field = handler.parsed_data_field
    return field.annotation if field else None


def answer_kind(handler: HTTPRouteHandler) -> Any:  # noqa: ANN401 - any annotation
    """The struct of the answer, if it is one, or what the handler says it is."""
    field = handler.parsed_return_field
    if "answer" in handler.opt:
        return handler.opt["answer"]
    kind = field.inner_types[0].annotation if field.is_subclass_of(Response) else field.annotation
    return kind if isinstance(kind, type) and issubclass(kind, msgspec.Struct) else None


def operation(handler: HTTPRouteHandler, known: Mapping[Any, Any]) -> dict[str, Any]:
    """The operation object; ``known`` gives the schema of each struct."""
    found: dict[str, Any] = {
        "operationId": handler.operation_id,
        "tags": [*(handler.tags or ())],
        "summary": handler.summary,
        "description": " ".join((handler.fn.__doc__ or "").partition("\n\n")[0].replace("``", "`").split()),
        "parameters": [*_parameters(handler)],
    }
    scope = handler.opt["scope"]
    found["security"] = [{SECURITY: [scope]}] if scope else []
    body = body_kind(handler)
    if body:
        examples = {
            name: {"summary": example.summary, "value": msgspec.json.decode(example.body or b"null")}
            for name, example in _examples(handler)
        }
        content = {media_type(handler): {"schema": known[body], "examples": examples}}
        if table_of(handler):
            content[CSV] = {"schema": {"type": "string", "minLength": 1}}
        found["requestBody"] = {"required": True, "content": content}
    elif "body" in handler.opt:  # which the handler reads by itself
        found["requestBody"] = {"required": True, "content": handler.opt["body"]}
    refusals = {str(status): {"$ref": f"#/components/responses/{_REFUSALS[status]}"} for status in _statuses(handler)}
    found["responses"] = {str(handler.status_code): _success(handler, known), **handler.opt.get("also", {}), **refusals}
    return found


def _examples(handler: HTTPRouteHandler) -> Iterator[tuple[str, Example]]:
    yield from handler.opt.get("examples", {}).items()


def _parameters(handler: HTTPRouteHandler) -> Iterator[dict[str, Any]]:
    taken = handler.parsed_fn_signature.parameters
    fields = {wire_name(name, field): field for name, field in taken.items()}
    for name in sorted(path_names(handler)):
        yield {"name": name, "in": "path", "required": True, **_described(fields[name], fields[name].annotation)}
    for name, kind in query_types(handler).items():
        yield {"name": name, "in": "query", "required": False, **_described(fields[name], kind)}
    yield from header_parameters(handler)


def _described(field: FieldDefinition, kind: Any) -> dict[str, Any]:  # noqa: ANN401 - any annotation
    limits = field.kwarg_definition
    schema = msgspec.json.schema(kind)
    settle(schema)
    for name, keyword in _LIMITS.items():
        value = getattr(limits, name, None)
        if value is not None:
            schema[keyword] = value
    schema |= getattr(limits, "schema_extra", None) or {}
    if schema.get("type") == "string" and not {"enum", "format", "pattern"} & schema.keys():
        schema["pattern"] = _NO_NUL
    if field.has_default and field.default is not None:
        schema["default"] = field.default
    return {"description": getattr(limits, "description", None), "schema": schema}


def _success(handler: HTTPRouteHandler, known: Mapping[Any, Any]) -> dict[str, Any]:
    kind = answer_kind(handler)
    content = handler.opt.get("content", {})
    if kind:
        content = {**content, "application/json": {"schema": known[kind], "examples": _answers(handler)}}
    limits = [RATE_LIMIT, RATE_LIMIT_POLICY] if handler.opt["scope"] else []
    names = ["X-Request-Id", *limits, *handler.opt.get("headers", ())]
    found = {
        "description": handler.summary,
        "headers": {name: {"$ref": f"#/components/headers/{name}"} for name in names},
        "content": content,
    }
    return found | ({"links": handler.opt["links"]} if "links" in handler.opt else {})


def _answers(handler: HTTPRouteHandler) -> dict[str, Any]:
    kind = body_kind(handler)
    found = {}
    for name, example in _examples(handler):
        answer = example.answer(decode(example.body, kind)) if example.body else example.answer()
        value = msgspec.json.decode(msgspec.json.encode(answer))
        found[name] = {"summary": example.summary, "value": value}
    return found


def _statuses(handler: HTTPRouteHandler) -> list[int]:
    """Every status with which this handler can refuse or fail."""
    found = {400, 414, 422, 431, 500, *handler.opt.get("refusals", ()), *header_refusals(handler)}
    if handler.parsed_data_field or "body" in handler.opt:
        found |= {408, 413, 415}
    if path_names(handler):
        found.add(404)
    if handler.opt["scope"]:
        found |= {401, 403, 429, 503}
    if {"database", "readiness"} & {*handler.parsed_fn_signature.parameters}:
        found.add(503)
    return sorted(found)


def problem_responses() -> dict[str, Any]:
    """The shared answers for refusals and failures, one a status, with an example for each type of problem."""
    found = {}
    for status, codes in groupby(PROBLEMS, key=lambda code: PROBLEMS[code].status):
        if status in _REFUSALS:
            found[_REFUSALS[status]] = _problem_response([*codes], status)
    return found


def _problem_response(codes: list[str], status: int) -> dict[str, Any]:
    names = ["X-Request-Id", *_HEADERS_OF.get(status, ())]
    call = Call(EXAMPLE_ID, "")
    shown = {code: msgspec.to_builtins(problem_words.example(code, call)) for code in codes}
    examples = {code: {"summary": PROBLEMS[code].title, "value": value} for code, value in shown.items()}
    return {
        "description": ". ".join(PROBLEMS[code].title for code in codes) + ".",
        "headers": {name: {"$ref": f"#/components/headers/{name}"} for name in names},
        "content": {MEDIA_TYPE: {"schema": {"$ref": PREFIX + Problem.__name__}, "examples": examples}},
    }
