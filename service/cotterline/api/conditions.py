"""Conditional requests (RFC 9110, section 13): a copy that is still right, and a change that nobody overtook."""

import re
from collections.abc import Mapping
from typing import Any, Final

from litestar import Request, Response

from cotterline.api.problems import RequestRefusedError
from cotterline.bench.errors import CotterlineError

ETAG_PATTERN = r'^(\*|(W/)?"[!#-~]*"([ \t]*,[ \t]*(W/)?"[!#-~]*")*)(?![\s\S])'
"""``If-Match`` and ``If-None-Match``: an asterisk, or a list of entity tags (RFC 9110, section 8.8.3)."""

KEPT: Final[Mapping[str, str]] = {"Cache-Control": "private, no-cache"}
"""A stored resource may be kept by its client, who asks each time whether it is still right."""

_LIST = re.compile(ETAG_PATTERN)
_TAG = re.compile(r'(W/)?("[!#-~]*")')


def etag(version: int | str, *more: str) -> str:
    """The strong entity tag of one version of a resource, and of whatever else shows in it.

    >>> etag(3, "issued")
    '"3-issued"'
    """
    return f'"{"-".join([str(version), *more])}"'


def is_current(request: Request[Any, Any, Any], tag: str) -> bool:
    """Whether the client's copy, named in ``If-None-Match``, is the one it would get; weak comparison.

    Raises:
        RequestRefusedError: ``malformed-request`` where the header is no list of entity tags.
    """
    value = _tags(request, "If-None-Match")
    return value == "*" or any(opaque == tag for _, opaque in _TAG.findall(value))


def wanted_tags(request: Request[Any, Any, Any]) -> str:
    """The value of ``If-Match``.

    Raises:
        RequestRefusedError: ``precondition-required`` without one, ``malformed-request`` where it is none.
    """
    value = _tags(request, "If-Match")
    if not value:
        raise RequestRefusedError(
            "precondition-required", "Name the version you are changing: its ETag, in the header If-Match."
        )
    return value


def makes_it(request: Request[Any, Any, Any]) -> bool:
    """Whether the client makes what is not there yet: ``If-None-Match`` is an asterisk (RFC 9110, section 13.1.2).

    Raises:
        RequestRefusedError: ``malformed-request`` where the header is no list of entity tags.
    """
    return _tags(request, "If-None-Match") == "*"


def _tags(request: Request[Any, Any, Any], header: str) -> str:
    """The value of a header that names entity tags; empty where it is not there."""
    values = request.headers.getall(header.lower(), [])
    value = ", ".join(values).strip(" \t")
    if values and not _LIST.fullmatch(value):
        raise RequestRefusedError("malformed-request", f'{header} must be a list of entity tags such as "3-draft".')
    return value


def require(wanted: str, *tags: str) -> None:
    """Hold that the client changes the version it has seen; strong comparison, so a weak tag never fits.

    Args:
        wanted: the value of ``If-Match``.
        tags: of this version, one for each form it can be had in.

    Raises:
        CotterlineError: ``precondition-failed``.
    """
    if wanted != "*" and {("", tag) for tag in tags}.isdisjoint(_TAG.findall(wanted)):
        raise overtaken(tags[0])


def overtaken(tag: str = "") -> CotterlineError:
    """The refusal where somebody else was faster."""
    now = f" It is now {tag}." if tag else ""
    return CotterlineError("precondition-failed", f"This is no longer the version named in If-Match.{now}")


def not_modified(tag: str) -> Response[None]:
    """Tell the client that its copy is still right."""
    return Response(None, status_code=304, headers={"ETag": tag, **KEPT})
