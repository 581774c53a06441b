"""The drawings there are of a quote, by name, and why one cannot be drawn."""

from typing import Final, Literal, get_args

from msgspec import UnsetType

from cotterline.bench.fit.result import FitResult
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.documents.drawings.cost import cost_distribution
from cotterline.documents.drawings.cross_section import cross_section
from cotterline.documents.drawings.gear_map import gear_map
from cotterline.documents.drawings.verdict_bars import verdict_bars
from cotterline.documents.language import Language

DrawingName = Literal["cross-section", "gear-map", "verdict", "cost"]

DRAWINGS: Final[tuple[DrawingName, ...]] = get_args(DrawingName)


def draw(
    name: DrawingName, request: QuoteRequest, result: QuoteResult, language: Language, fitted: FitResult | None = None
) -> str | None:
    """One drawing of a quote as SVG; nothing where the quote does not hold what it would show.

    Args:
        name: which.
        request: what was asked.
        result: what was answered.
        language: whose words, numbers and unit it is told in.
        fitted: what was measured once the crank was on, for the section.
    """
    match name:
        case "cross-section":
            return cross_section(request, result, language, fitted)
        case "gear-map":
            found = result.drivetrain
            return None if isinstance(found, UnsetType) else gear_map(found, language)
        case "verdict":
            return verdict_bars(result.verdict, result.settings, language)
        case "cost":
            return cost_distribution(result.estimate.money, result.estimate.ceiling, language)


def lacking(name: DrawingName, request: QuoteRequest, result: QuoteResult) -> str:
    """Why a quote has no such drawing, for whoever asked for it."""
    if name == "gear-map" and isinstance(request.drivetrain, UnsetType):
        return "This quote has no gears to draw: its request names no drivetrain."
    why = " ".join(fault.detail for fault in result.missing)
    return f"This quote names no spindle, so there is nothing to draw it by. {why}".rstrip()
