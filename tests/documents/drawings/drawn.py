"""Drawings of the demonstration's bicycles, and what stands on them, read back from the SVG."""

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple
from xml.etree import ElementTree as ET

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Trace
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitResult
from cotterline.bench.fit_reports import fit_result
from cotterline.bench.quantity import Reading, Unit
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.cli.demo_bikes import demo_bikes, demo_workshop
from cotterline.documents.drawings.of_quote import DrawingName, draw
from cotterline.documents.language import Language

BIKES = demo_bikes()
WORKSHOP = demo_workshop()


class Job(NamedTuple):
    """A bicycle that was quoted, and fitted if a spindle was named."""

    request: QuoteRequest
    result: QuoteResult
    fitted: FitResult | None


@cache
def job(index: int) -> Job:
    """The job of one of ``BIKES``; its first spindle is fitted 0.6 mm further out than the aim."""
    request = BIKES[index]
    result = quote(request, WORKSHOP, Trace(wanted=False))
    return Job(request, result, _fitted(request, result) if result.spindle else None)


def _fitted(request: QuoteRequest, result: QuoteResult) -> FitResult:
    assert result.spindle
    length, aim = result.spindle.first.spindle_length.to("mm").value, result.spindle.target.to("mm").value
    line = MeasuredChainLine(chain_line=Reading(value=aim + 0.6, tool="caliper"))
    return fit_result(request, WORKSHOP, FitReportRequest(chain_lines=(line,)), (length,), Trace(wanted=False))


def drawn(index: int, name: DrawingName, tag: str = "en", units: Unit = "mm") -> str | None:
    """One drawing of one of ``BIKES``."""
    found = job(index)
    return draw(name, found.request, found.result, Language.of(tag, units), found.fitted)


class Sheet:
    """A drawing as its reader sees it."""

    def __init__(self, svg: str) -> None:
        self.root = ET.fromstring(svg)  # noqa: S314 - of our own

    def parts(self, name: str) -> list[ET.Element]:
        """Everything that is drawn for one part."""
        return [element for element in self.root.iter() if element.get("data-part") == name]

    def part(self, name: str) -> ET.Element:
        """What is drawn for a part that is there once."""
        (found,) = self.parts(name)
        return found

    @property
    def texts(self) -> list[str]:
        """Every line of words."""
        return [element.text or "" for element in self.root.iter(f"{{{SVG}}}text")]

    @property
    def factors(self) -> Iterator[float]:
        """Each scale that is named, paper by bicycle."""
        for text in self.texts:
            head, colon, foot = text.rpartition(", ")[2].split(" ")[0].partition(":")
            if colon and head.isdigit() and foot.isdigit():
                yield int(head) / int(foot)


SVG = "http://www.w3.org/2000/svg"


def x_of(element: ET.Element) -> float:
    """Where an upright line stands."""
    left, right = (float(element.attrib[name]) for name in ("x1", "x2"))
    assert left == right
    return left


def span(element: ET.Element) -> tuple[float, float]:
    """From which x to which a line or a rectangle reaches."""
    if "width" in element.attrib:
        left = float(element.attrib["x"])
        return left, left + float(element.attrib["width"])
    return float(element.attrib["x1"]), float(element.attrib["x2"])


def corners(element: ET.Element) -> list[tuple[float, float]]:
    """The corners of an outline."""
    points = element.attrib["d"].strip("MZ").split("L")
    return [(float(x), float(y)) for x, y in (point.split() for point in points)]
