"""The OpenAPI 3.1 document, built from the handlers: their types, their docstrings, their examples.

Litestar's own leaves out ``additionalProperties: false``, documents its own error shape and writes query parameters
that may be null, so none of it is used.
"""

import asyncio
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec
from litestar import Litestar, Request, Response, get
from litestar.handlers import HTTPRouteHandler
from litestar.routes import HTTPRoute

import cotterline
from cotterline.api.deprecation_marks import mark
from cotterline.api.fixed import Fixed
from cotterline.api.operation import (
    HEADERS,
    NOT_MODIFIED,
    SECURITY_SCHEMES,
    answer_kind,
    body_kind,
    operation,
    problem_responses,
)
from cotterline.api.problems import Problem
from cotterline.api.schemas import schemas
from cotterline.api.webhooks import KINDS, webhooks

TAGS: Mapping[str, str] = {
    "bench": "Calculations: nothing is stored, and the same body always gives the same bytes.",
    "quotes": "The whole job in one call, kept so that it can be read again.",
    "quote-runs": "Bicycles in any number, quoted beside the calls by every worker there is.",
    "shop": "The shop's keys, and who did what with them.",
    "settings": "What a shop sets for itself, used wherever a request brings nothing else.",
    "labour": "What work takes: the shop's labour book, and what its own times say.",
    "parts": "What the shop can fit, and what its suppliers ask for it.",
    "suppliers": "Whom the shop orders from: where orders go, in which form, and with which secrets.",
    "events": "What happened, for other systems of the shop's: posted to them as it happens, and read again in order.",
    "orders": "What was ordered of whom, what was answered, and where each order stands.",
    "fit-reports": "What was measured once the crank was on, what it comes to, and what to do where it missed.",
    "reference": "The trade's facts that the calculations use, each with its source.",
    "service": "Health, documentation and the meaning of problems.",
}


@get(
    "/openapi.json",
    operation_id="readOpenapi",
    tags=["service"],
    summary="This document",
    opt={
        "scope": None,
        "content": {"application/json": {"schema": {"type": "object"}}},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def document(request: Request[Any, Any, Any]) -> Response[bytes]:
    """Give the OpenAPI 3.1 document of the service."""
    fixed: Fixed = await asyncio.to_thread(request.app.state.openapi)
    return fixed.answer(request)


def build(app: Litestar) -> bytes:
    """The document for every handler of ``app``, as JSON in one fixed order and indentation."""
    handlers = sorted(_documented(app), key=lambda found: (found[0], _METHODS.index(_method(found[1]))))
    asked = {kind for _, handler in handlers for kind in (body_kind(handler), answer_kind(handler)) if kind}
    kinds: set[Any] = {Problem, *KINDS, *asked}
    ordered = sorted(kinds, key=lambda kind: str(kind.__name__))
    found, components = schemas(ordered)
    known = dict(zip(ordered, found, strict=True))
    paths: dict[str, dict[str, Any]] = {}
    operations = [(handler, operation(handler, known)) for _, handler in handlers]
    for (path, handler), (_, written) in zip(handlers, operations, strict=True):
        paths.setdefault(path, {})[_method(handler)] = written
    content = {
        "openapi": "3.1.1",
        "info": _INFO,
        "servers": [{"url": "/", "description": "The service that gives this document."}],
        "tags": [{"name": name, "description": words} for name, words in sorted(TAGS.items())],
        "paths": paths,
        "webhooks": webhooks(known),
        "components": {
            "securitySchemes": SECURITY_SCHEMES,
            "schemas": components,
            "responses": problem_responses(),
            "headers": HEADERS,
        },
    }
    marked = mark(content, operations, app.state.deprecations)
    return msgspec.json.format(msgspec.json.encode(marked), indent=2) + b"\n"


_METHODS = ("get", "post", "put", "patch", "delete")
"""The order in which the methods of a path are told."""


def _method(handler: HTTPRouteHandler) -> str:
    return next(iter(handler.http_methods)).lower()


def _documented(app: Litestar) -> Iterator[tuple[str, HTTPRouteHandler]]:
    for route in app.routes:
        if isinstance(route, HTTPRoute):
            yield from ((route.path_format, handler) for handler in route.route_handlers if handler.operation_id)


_INFO: Mapping[str, Any] = {
    "title": "cotterline",
    "version": cotterline.__version__,
    "summary": "Thread verdicts, spindle lengths, chain lines and parts lists from a bicycle's measurements.",
    "description": (
        "Lengths go in as mm or inches and come out in the unit the request's settings ask for. Every stated "
        "plus-minus is an expanded uncertainty with coverage factor 2. Bodies are read strictly: unknown members, "
        "numbers in quotation marks and names given twice are refused, all faults at once, each with its JSON "
        "pointer. Refusals and failures are problem documents (RFC 9457)."
    ),
    "license": {"name": "Apache License 2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
}
