"""The customer's page: what a link shows to whoever holds it, and the one answer it takes.

Only a POST with a form of this page's own changes anything. Programs fetch links that were sent to people, to show
where they lead or to look for harm, and none of that is an answer.
"""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from babel import negotiate_locale
from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.exceptions import HTTPException
from litestar.params import FromPath

from cotterline.api.estimate_forms import MAX_BYTES, AnyRequest, read_form, sent_from_here, wanted_options
from cotterline.api.estimate_visits import Outcome, Visit
from cotterline.api.kept_quote import Stamp
from cotterline.api.problems import PROBLEMS, RequestRefusedError, call_of, log_failure, refusal_of
from cotterline.api.rate_limits import turn_stranger_away
from cotterline.bench.estimate_links import LinkState
from cotterline.documents.customer_estimates import ClosedKind, TroubleKind, closed
from cotterline.documents.language import LANGUAGES, SOURCE, Language
from cotterline.documents.templates import Page
from cotterline.store import estimate_links, link_text
from cotterline.store.database import Database
from cotterline.store.estimate_links import FoundLink
from cotterline.store.tenancy import SERVICE

_ROBOTS: Final[Mapping[str, str]] = {"X-Robots-Tag": "noindex, nofollow"}
"""Besides what every answer says: that it is not to be kept, and that nobody is told from where a link was followed."""

_OK: Final = 200
_SEE_OTHER: Final = 303
_SERVER_ERROR: Final = 500
_OF_STATES: Final[Mapping[LinkState, int]] = {"expired": 410, "ended": 410, "overtaken": 409}
_OF_OUTCOMES: Final[Mapping[Outcome, int]] = {"closed": 409, "changed": 409, "options": 409, "name": 422}
_WORDS: Final[Mapping[int, ClosedKind]] = {403: "foreign", 404: "unknown", 429: "too-often"}


def _refused(request: AnyRequest, error: Exception) -> Response[str]:
    """The page for whatever went wrong, in the place of a problem document."""
    refusal = refusal_of(error)
    log_failure(error, refusal, call_of(request.scope))
    status = PROBLEMS[refusal.code].status
    kind = _WORDS.get(status, "failed" if status >= _SERVER_ERROR else "unreadable")
    return _answer(closed(kind, Language.of(_language_of(request))), status, refusal.headers)


_PAGE: Final[Mapping[str, Any]] = {
    "opt": {"scope": None, "strays": True},
    "exception_handlers": {Exception: _refused, HTTPException: _refused},
}


@get("/estimate/{token:str}", **_PAGE)
async def show(
    request: AnyRequest, token: FromPath[str], database: NamedDependency[Database], stamp: NamedDependency[Stamp]
) -> Response[str]:
    """Show what the link leads to."""
    visit = await _visit(request, database, token, stamp.now)
    await visit.note()
    shown = await visit.page(wanted_options(request.scope["query_string"]))
    return _answer(shown.page, _OF_STATES.get(shown.state, _OK))


@post("/estimate/{token:str}", request_max_body_size=MAX_BYTES, **_PAGE)
async def answer(
    request: AnyRequest, token: FromPath[str], database: NamedDependency[Database], stamp: NamedDependency[Stamp]
) -> Response[str]:
    """Take the customer's answer, or show the price with other options."""
    visit = await _visit(request, database, token, stamp.now)
    if not sent_from_here(request):
        raise RequestRefusedError("foreign-form", "The form was sent from another place than this page.")
    form = await read_form(request)
    if form.do == "show" and not form.name:
        return _see(f"{token}?options={','.join(sorted(form.ticked))}")
    outcome = await visit.answer(form) if form.do != "show" else None
    if outcome == "done":
        return _see(token)
    trouble: TroubleKind | None = None if outcome == "closed" else outcome
    shown = await visit.page(form.ticked, form.name, trouble)
    return _answer(shown.page, _OF_STATES.get(shown.state, _OF_OUTCOMES[outcome] if outcome else _OK))


async def _visit(request: AnyRequest, database: Database, token: str, now: datetime) -> Visit:
    """The visit by a token.

    Raises:
        RequestRefusedError: ``not-found`` in the same words whatever is wrong with the token, or ``rate-limited``.
    """
    found = await _found(database, token) if link_text.is_token(token) else None
    if found is None:
        turn_stranger_away(request, now)
        raise RequestRefusedError("not-found", "This address opens nothing.")
    call_of(request.scope).logged.update(shop=str(found.tenant.shop), mode=found.tenant.mode)
    return Visit(database, found, token, now)


async def _found(database: Database, token: str) -> FoundLink | None:
    async with database.read(SERVICE) as tx:
        return await estimate_links.find(tx, token)


def _answer(page: Page, status: int, more: Mapping[str, str] | None = None) -> Response[str]:
    headers = {"Content-Security-Policy": page.policy, **_ROBOTS, **(more or {})}
    return Response(page.html, status_code=status, headers=headers, media_type="text/html")


def _see(where: str) -> Response[str]:
    """Lead the browser to a page, relative to this one, so that loading it again sends nothing again."""
    return Response("", status_code=_SEE_OTHER, headers={**_ROBOTS, "Location": where}, media_type="text/html")


def _language_of(request: AnyRequest) -> str:
    """The language the browser asks for, where there are words in it (RFC 9110, section 12.5.4)."""
    ranked = [tag.partition(";")[0].strip() for tag in request.headers.get("accept-language", "").split(",")]
    return negotiate_locale(ranked, LANGUAGES, sep="-") or SOURCE
