"""What a person reads as a page and a program as data, at one address."""

from collections.abc import Callable
from importlib.resources import files
from string import Template
from typing import Any

import msgspec
from litestar import Request, Response

from cotterline.api.fixed import Fixed
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.documents.templates import policy

_STYLE = files("cotterline.api").joinpath("assets", "explained.css").read_text("utf-8")


def page(name: str, **words: str) -> Fixed:
    """Fill a template of ``assets`` with words that are HTML already."""
    text = Template(files("cotterline.api").joinpath("assets", name).read_text("utf-8")).substitute(words, style=_STYLE)
    return Fixed(text.encode(), "text/html", {"Content-Security-Policy": policy(_STYLE), "Vary": "Accept"})


def data(value: msgspec.Struct) -> Fixed:
    """Give the same as JSON."""
    return Fixed(msgspec.json.encode(value), "application/json", {"Vary": "Accept"})


def chosen(request: Request[Any, Any, Any], page: Fixed, data: Fixed) -> Response[bytes]:
    """Answer in the form the client would rather have; a person's where it does not say (RFC 9110, section 12.5.1)."""
    best = request.accept.best_match([page.media_type, data.media_type])
    return (data if best == data.media_type else page).answer(request)


def documented(shown: Callable[[], Any], kind: type) -> dict[str, Any]:
    """The ``opt`` of a handler that answers so, open to everyone."""
    return {
        "scope": None,
        "answer": kind,
        "content": {"text/html": {"schema": {"type": "string"}}},
        "examples": {"as-data": Example("As data", shown)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    }
