"""The documentation page. It works offline: every file it needs ships with the service, and no address leads out."""

from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from litestar import Request, Response, get
from litestar.exceptions import NotFoundException
from litestar.params import FromPath

from cotterline.api.fixed import Fixed
from cotterline.api.operation import NOT_MODIFIED

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Only this service's own files. The page's library writes style attributes, hence the one exception."""

_MEDIA_TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css"}


def _read(name: str) -> Fixed:
    content = files("cotterline.api").joinpath("assets", name).read_bytes()
    return Fixed(content, _MEDIA_TYPES[name[name.rindex(".") :]], {"Content-Security-Policy": _POLICY})


_PAGE = _read("docs.html")
_ASSETS: Mapping[str, Fixed] = {name: _read(name) for name in ("docs.js", "swagger-ui-bundle.js", "swagger-ui.css")}


@get(
    "/docs",
    operation_id="readDocumentation",
    tags=["service"],
    summary="This documentation as a page",
    opt={
        "scope": None,
        "content": {"text/html": {"schema": {"type": "string"}}},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def page(request: Request[Any, Any, Any]) -> Response[bytes]:
    """Show the API document as a page."""
    return _PAGE.answer(request)


@get("/docs/{name:str}", opt={"scope": None})
async def asset(request: Request[Any, Any, Any], name: FromPath[str]) -> Response[bytes]:
    """Serve one file of the page."""
    if name not in _ASSETS:
        raise NotFoundException
    return _ASSETS[name].answer(request)
