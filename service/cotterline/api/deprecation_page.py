"""The page that a deprecated call's ``Link`` leads to: for a person as HTML, for a program as JSON."""

import html
from functools import cache
from typing import Any

import msgspec
from litestar import Request, Response, get

from cotterline.api.deprecations import DEPRECATIONS, LEAST, PATH, Deprecation
from cotterline.api.fixed import Fixed
from cotterline.api.page_or_data import chosen, data, documented, page


class Deprecations(msgspec.Struct, frozen=True, kw_only=True):
    """All that will go.

    Attributes:
        least_days: how long each goes on being answered, at least, once it is said that it will go.
        deprecated: each thing, the one that was said first before the others.
    """

    least_days: int
    deprecated: tuple[Deprecation, ...]


def _all(rows: tuple[Deprecation, ...]) -> Deprecations:
    return Deprecations(least_days=LEAST.days, deprecated=tuple(sorted(rows, key=lambda row: (row.since, row.name))))


@cache
def _forms(rows: tuple[Deprecation, ...]) -> tuple[Fixed, Fixed]:
    found = _all(rows)
    entries = "\n".join(f"<dt><code>{html.escape(row.name)}</code></dt>\n{_entry(row)}" for row in found.deprecated)
    listed = f"<dl>\n{entries}\n</dl>" if entries else "<p>Nothing of this version will go.</p>"
    return page("deprecations.html", listed=listed, days=str(LEAST.days)), data(found)


def _entry(row: Deprecation) -> str:
    return f"<dd>{html.escape(row.words)}</dd>"


@get(
    PATH,
    operation_id="listDeprecations",
    tags=["service"],
    summary="What of this API will go",
    opt=documented(lambda: _all(DEPRECATIONS), Deprecations),
)
async def index(request: Request[Any, Any, Any]) -> Response[bytes]:
    """List what is deprecated, until when it is there, and what to do instead: a page, or JSON where that is liked."""
    return chosen(request, *_forms(request.app.state.deprecations))
