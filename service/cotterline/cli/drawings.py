"""``cotterline drawings``: bicycles of the demonstration drawn, as the documentation shows them."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

import click

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Trace
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitResult
from cotterline.bench.fit_reports import fit_result
from cotterline.bench.quantity import Reading
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.workshop import Workshop
from cotterline.cli.demo_bikes import demo_bikes, demo_workshop
from cotterline.cli.demo_fits import FITTED
from cotterline.documents.drawings.of_quote import DrawingName, draw
from cotterline.documents.language import Language

MISSED: Final = next(fitting for fitting in FITTED if len(fitting.measured) > 1)
"""A bicycle whose first spindle misses."""

SHOWN: Final[Mapping[DrawingName, str]] = {
    "cross-section": MISSED.reference,
    "gear-map": "Purple off-road triple",
    "verdict": MISSED.reference,
    "cost": MISSED.reference,
}
"""Of which bicycle each is; a roadster has no gears to draw."""

_FIRST_SPINDLE: Final = 113.0
"""Millimetres of the one that misses."""


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
def drawings(folder: Path) -> None:
    """Write drawings of the demonstration's bicycles into FOLDER, as SVG."""
    for name, content in written():
        (folder / name).write_text(content, "utf-8")


def written() -> Iterator[tuple[str, str]]:
    """Every drawing by its file's name."""
    bikes, workshop = {str(bike.reference): bike for bike in demo_bikes()}, demo_workshop()
    for name, reference in SHOWN.items():
        request = bikes[reference]
        result = quote(request, workshop, Trace(wanted=False))
        fitted = _missed(request, workshop) if reference == MISSED.reference else None
        drawn = draw(name, request, result, Language.of("en"), fitted)
        if drawn is not None:
            yield f"{name}.svg", f"{drawn}\n"


def _missed(request: QuoteRequest, workshop: Workshop) -> FitResult:
    """What the first fitting was found to be."""
    line = MeasuredChainLine(chain_line=Reading(value=MISSED.measured[0]))
    report = FitReportRequest(chain_lines=(line,))
    return fit_result(request, workshop, report, (_FIRST_SPINDLE,), Trace(wanted=False))
