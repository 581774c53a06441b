"""The drawings of a quote, as SVG."""

from typing import Annotated, Any, Final

import msgspec
from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.params import PathParameter

from cotterline.api.bench_cards import job_of
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT
from cotterline.api.fixed import Fixed
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.operation import NOT_MODIFIED
from cotterline.api.quote_changes import find
from cotterline.api.quotes import QuoteId
from cotterline.api.readers import LanguageTag, Units, reader
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.result import FitResult
from cotterline.documents.drawings.of_quote import DRAWINGS, draw, lacking
from cotterline.documents.language import Language
from cotterline.store import fit_reports
from cotterline.store.database import Database
from cotterline.store.shop_documents import SETTINGS

SVG: Final = "image/svg+xml"

POLICY: Final = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox"
"""A drawing holds no style, script, font or picture, so it is allowed none (W3C, Content Security Policy Level 3)."""


def drawn(name: str, held: HeldQuote, language: Language, fitted: bytes | None) -> str:
    """A drawing of a kept quote.

    Args:
        name: of the drawing.
        held: the quote.
        language: it is told in.
        fitted: what its newest fit report was judged to say, as JSON.

    Raises:
        CotterlineError: ``not-found`` where there is no such drawing, or this quote lacks what it would show.
    """
    known = next((each for each in DRAWINGS if each == name), None)
    if known is None:
        raise CotterlineError("not-found", f"There is no such drawing; there are {', '.join(DRAWINGS)}.")
    job, fit = job_of(held), msgspec.json.decode(fitted, type=FitResult) if fitted else None
    found = draw(known, job.request, job.result, language, fit)
    if found is None:
        raise CotterlineError("not-found", lacking(known, job.request, job.result))
    return found


@get(
    "/v1/quotes/{quote_id:uuid}/drawings/{drawing:str}",
    operation_id="readDrawing",
    tags=["quotes"],
    summary="A quote as a drawing",
    opt={
        "scope": "read",
        "content": {SVG: {"schema": {"type": "string"}}},
        "takes": ["If-None-Match"],
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    drawing: Annotated[str, PathParameter(description="Which drawing.", schema_extra={"enum": [*DRAWINGS]})],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    language: LanguageTag = None,
    units: Units = None,
) -> Response[bytes]:
    """Give one drawing, to its scale where it is printed at full size.

    `cross-section` is the bottom bracket from behind, with the chain line to reach, the one predicted, and the one that
    the newest fit report measured; there is none where no spindle is named. `gear-map` is where rings and sprockets
    stand and how far aslant each gear's chain runs; there is none where no drivetrain was asked about. `verdict` is how
    probable each thread is, `cost` what twenty such jobs would cost.
    """
    async with database.read(caller.tenant) as tx:
        held = await find(tx, quote_id)
        fitted = await fit_reports.newest_result(tx, quote_id)
        profile = (await SETTINGS.current(tx)).content
    shown = drawn(drawing, held, reader(profile, language, units), fitted)
    headers = {"Content-Security-Policy": POLICY, **KEPT}
    return Fixed(shown.encode(), SVG, headers).answer(request)
