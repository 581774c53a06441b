"""Chain lines on paper: the one to reach, the one predicted and the one measured, each with how far it may be out."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from msgspec import UnsetType

from cotterline.bench.fit.result import FitResult
from cotterline.bench.quantity import Length
from cotterline.bench.spindle.aim import Aim
from cotterline.bench.spindle_options import SpindleResult
from cotterline.documents.drawings.board import LEAD, MARGIN, SMALL, WIDTH, Board, Box, Point
from cotterline.documents.drawings.pens import (
    EXPECTED,
    EXPECTED_BAND,
    FINE,
    FOUND,
    FOUND_BAND,
    SHADE,
    WANTED,
    WANTED_BAND,
    Hatching,
    Pen,
)
from cotterline.documents.drawings.scale import Scale, fitting
from cotterline.documents.drawings.shown_bracket import in_mm
from cotterline.documents.language import Language
from cotterline.documents.words import AIMS

_BAND: Final = 2.8
"""Millimetres of paper that a band is high where chain lines are enlarged."""

_MARK: Final = 0.9
"""Half of a mark's width in mm."""

_SHAPES: Final[dict[str, tuple[Point, ...]]] = {
    "wanted": ((-1.0, -1.0), (1.0, -1.0), (0.0, 1.0)),
    "expected": ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)),
    "found": ((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)),
}
"""A triangle, a square and a rhombus: each chain line's own mark, by its half width."""


class ChainLine(NamedTuple):
    """One chain line, in mm from the mid-plane.

    Attributes:
        part: which it is.
        words: what it is and how large, for its reader.
        value: where it lies.
        plus_minus: how far it may be out; 0 where that is not said.
        pen: it is drawn with.
        hatching: of its band.
    """

    part: str
    words: str
    value: float
    plus_minus: float
    pen: Pen
    hatching: Hatching

    @property
    def lowest(self) -> float:
        """Its band's inner edge."""
        return self.value - self.plus_minus

    @property
    def highest(self) -> float:
        """Its band's outer edge."""
        return self.value + self.plus_minus

    def band(self, board: Board, scale: Scale, top: float, bottom: float) -> None:
        """Draw the line, and how far it may be out either way."""
        if self.plus_minus:
            box = Box(scale.at(self.lowest), top, scale.at(self.highest), bottom)
            board.hatch(box, self.hatching)
            board.box(box, Pen(self.hatching.colour, 0.15), f"{self.part}-band")
        x = scale.at(self.value)
        board.line((x, top), (x, bottom), self.pen, f"{self.part}-line")

    def dimension(self, board: Board, scale: Scale, y: float, since: float) -> None:
        """Draw the distance to the mid-plane."""
        board.dimension((scale.origin, scale.at(self.value)), y, self.words, self.part, since)

    def mark(self, board: Board, x: float, y: float) -> None:
        """Draw the line's own mark."""
        shape = [(x + _MARK * across, y + _MARK * down) for across, down in _SHAPES[self.part]]
        board.outline(shape, None, f"{self.part}-mark", self.pen.colour)


def chain_lines(
    target: Aim, spindle: SpindleResult, fitted: FitResult | None, language: Language
) -> tuple[ChainLine, ...]:
    """The chain line to reach, then the one predicted of the first choice, then the one measured, if there is one."""
    say, first = language.say, spindle.first
    wanted = say(AIMS[str(target.__struct_config__.tag)], length=language.length(spindle.target))
    expected = say(
        "predicted on {spindle}: {length}",
        spindle=language.length(first.spindle_length),
        length=language.length(first.chain_line),
    )
    lines = [
        _line("wanted", wanted, spindle.target, WANTED, WANTED_BAND),
        _line("expected", expected, first.chain_line, EXPECTED, EXPECTED_BAND),
    ]
    if fitted is not None:
        found = say(
            "measured on {spindle}: {length}",
            spindle=language.length(fitted.spindle_length),
            length=language.length(fitted.chain_line),
        )
        lines.append(_line("found", found, fitted.chain_line, FOUND, FOUND_BAND))
    return tuple(lines)


def _line(part: str, words: str, length: Length, pen: Pen, hatching: Hatching) -> ChainLine:
    told = length.to("mm")
    spread = 0.0 if isinstance(told.plus_minus, UnsetType) else told.plus_minus
    return ChainLine(part, words, told.value, spread, pen, hatching)


def detail(board: Board, lines: Sequence[ChainLine], spindle: SpindleResult, language: Language) -> None:
    """Draw the chain lines enlarged, one below the other, on the tolerance, with tolerance and residual dimensioned."""
    wanted, expected, *_ = lines
    tolerance = in_mm(spindle.tolerance)
    edges = (wanted.value - tolerance, wanted.value + tolerance)
    least, most = min(edges[0], *(line.lowest for line in lines)), max(edges[1], *(line.highest for line in lines))
    scale = fitting(least, most, MARGIN + 1.5, WIDTH - MARGIN - 1.5)
    board.y += 1.0
    board.paragraph(f"{language.say('Chain lines enlarged')}, {scale.name}", bold=True)
    board.y += 0.4
    zone = (scale.at(edges[0]), scale.at(edges[1]))
    for line in lines:
        board.text((MARGIN, board.y + SMALL * 0.95), line.words)
        top = board.y + SMALL * LEAD + 0.3
        board.y = top + _BAND + 0.9
        board.box(Box(zone[0], top - 0.4, zone[1], top + _BAND + 0.4), FINE, "tolerance-zone", SHADE)
        board.line((scale.at(wanted.value), top - 0.4), (scale.at(wanted.value), top + _BAND + 0.4), WANTED)
        line.band(board, scale, top, top + _BAND)
        line.mark(board, scale.at(line.value), top + _BAND / 2)
    bottom = board.y - 0.5
    residual = spindle.first.residual
    sign = "+" if residual.value > 0 else ""
    words = language.say("predicted residual {length}", length=f"{sign}{language.length(residual)}")
    _below(board, (scale.at(wanted.value), scale.at(expected.value)), words, "residual", bottom)
    words = language.say("tolerance ± {length}", length=language.length(spindle.tolerance))
    _below(board, zone, words, "tolerance", bottom)


def _below(board: Board, ends: tuple[float, float], words: str, part: str, since: float) -> None:
    board.y += SMALL * LEAD + 1.2
    board.dimension(ends, board.y, words, part, since)
