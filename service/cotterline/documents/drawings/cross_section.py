"""The bottom bracket in section, seen from behind: shell, unit, spindle and rings to scale, and where the chain runs.

What is known is drawn whole and dimensioned. What was not measured is drawn dashed, for its shape alone, and said.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from cotterline.bench.fit.result import FitResult
from cotterline.bench.quantity import Length
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle_options import SpindleResult
from cotterline.documents.drawings.board import LEAD, MARGIN, SMALL, WIDTH, Board, Box, Point
from cotterline.documents.drawings.chain_lines import ChainLine, chain_lines, detail
from cotterline.documents.drawings.pens import CUT, FINE, MIDDLE, OUTLINE, PAPER, SHADE, UNKNOWN, Pen
from cotterline.documents.drawings.scale import Scale, fitting
from cotterline.documents.drawings.shown_bracket import SHAFT, WALL, ShownBracket, shown_bracket
from cotterline.documents.language import Language
from cotterline.documents.words import SIDES

NAME: Final = "cross-section"

_TUBE: Final = 28.0
_BODY: Final = 0.86
_FLANGE: Final = 4.0
_CUP: Final = 12.0
_TAPER: Final = 16.0
"""For the shape of what was not measured, mm: seat tube, unit by the thread's diameter, its flange, its other cup, and
how far up the shaft its flats reach."""

_ABOVE, _BELOW = 8.0, 6.0
"""Millimetres of paper that the seat tube stands above the shell, and the rings reach below it."""

_SEEN: Final = 2.6
"""Millimetres of paper that chain lines run on below the rings."""

_ROW: Final = SMALL * LEAD + 1.2
"""Millimetres of paper from one dimension to the next."""


def cross_section(
    request: QuoteRequest,
    result: QuoteResult,
    language: Language,
    fitted: FitResult | None = None,
) -> str | None:
    """The section of a quote that names a spindle; nothing for others.

    Args:
        request: what was asked.
        result: what was answered.
        language: whose words, numbers and unit it is told in.
        fitted: what was measured once the crank was on.
    """
    question, spindle = request.spindle, result.spindle
    if not isinstance(question, SpindleQuestion) or not isinstance(spindle, SpindleResult):
        return None
    shown = shown_bracket(request, result, question, spindle)
    lines = chain_lines(question.target, spindle, fitted, language)
    board, scale = Board(), _scale(shown, lines)
    heading = language.say("Bottom bracket in section, seen from behind")
    board.paragraph(f"{heading}, {scale.name}", bold=True)
    _Section(board, shown, scale).draw(lines, language)
    detail(board, lines, spindle, language)
    notes = list(_notes(shown, language))
    board.y += 0.8
    for note in notes:
        board.paragraph(note)
    measures = [_spindle(shown, language), _shell(shown, language), *(line.words for line in lines)]
    told = [*(f"{words}." for words in measures), *notes]
    return board.svg(NAME, heading, " ".join(told), language.tag)


def _scale(shown: ShownBracket, lines: Sequence[ChainLine]) -> Scale:
    """All of it on the sheet."""
    right = [shown.faces[1], shown.ends[1], *shown.rings, *(line.highest for line in lines)]
    left = [shown.faces[0], shown.ends[0], *(line.lowest for line in lines)]
    spare = _FLANGE + shown.spacer
    return fitting(min(left) - spare, max(right) + spare, MARGIN, WIDTH - MARGIN)


class _Section:
    """The section on its board."""

    def __init__(self, board: Board, shown: ShownBracket, scale: Scale) -> None:
        self.board, self.shown, self.scale = board, shown, scale
        self.factor = float(scale.factor)
        self.outer = WALL + max(shown.bores) / 2 if shown.outside is None else shown.outside / 2
        self.axis = 0.0

    def draw(self, lines: Sequence[ChainLine], language: Language) -> None:
        """Everything, from the labels above to the dimensions below."""
        board = self.board
        self._sides(language)
        wanted, *others = lines
        board.y += _ROW
        above = board.y
        self.axis = above + _ABOVE + self.outer * self.factor + 0.6
        below = self.axis + self.outer * self.factor + _BELOW
        clear = (SHAFT / 2 + 1.0) * self.factor
        wanted.band(board, self.scale, above, self.axis - clear)
        for line in others:
            line.band(board, self.scale, self.axis + clear, below)
        self._seat_tube(above)
        self._shell()
        self._unit()
        self._spindle()
        self._rings(below)
        board.line((self.scale.origin, above - _ROW), (self.scale.origin, below), MIDDLE, "mid-plane")
        wanted.dimension(board, self.scale, above - 0.4, self.axis - clear)
        board.y = below
        self._dimensions(others, language)

    def _sides(self, language: Language) -> None:
        """Which side is which, in one row."""
        base = self.board.y + SMALL
        self.board.text((MARGIN, base), language.say(SIDES["non_drive"]))
        self.board.text((WIDTH - MARGIN, base), language.say(SIDES["drive"]), anchor="end")
        self.board.text((self.scale.origin, base), language.say("mid-plane"), anchor="middle")
        self.board.y += SMALL * LEAD

    def _dimensions(self, lines: Sequence[ChainLine], language: Language) -> None:
        board, shown = self.board, self.shown
        for line in lines:
            board.y += _ROW
            line.dimension(board, self.scale, board.y, board.y - _ROW)
        nominal = (-shown.width / 2, shown.width / 2)
        for ends, words, part, foot in (
            (nominal, _shell(shown, language), "shell-width", self.outer),
            (shown.ends, _spindle(shown, language), "spindle-length", shown.end_width / 2),
        ):
            board.y += _ROW
            left, right = map(self.scale.at, ends)
            board.dimension((left, right), board.y, words, part, self.axis + foot * self.factor)
        board.y += 1.0

    def _at(self, distance: float, height: float) -> Point:
        """A point of the bicycle on paper: to the drive side of the mid-plane, and above the spindle's axis."""
        return self.scale.at(distance), self.axis - height * self.factor

    def _box(self, ends: tuple[float, float], heights: tuple[float, float]) -> Box:
        (left, top), (right, bottom) = self._at(min(ends), max(heights)), self._at(max(ends), min(heights))
        return Box(left, top, right, bottom)

    def _seat_tube(self, top: float) -> None:
        tube = self.shown.tube
        half = (_TUBE if tube is None else tube) / 2
        pen, part = (UNKNOWN, "") if tube is None else (OUTLINE, "seat-tube")
        foot = self._at(0.0, self.outer)[1]
        left, right = self.scale.at(-half), self.scale.at(half)
        self.board.line((left, top), (left, foot), pen, part)
        self.board.line((right, top), (right, foot), pen, part)

    def _shell(self) -> None:
        """Both walls, cut through; in two pieces where the sides have different threads."""
        shown, board = self.shown, self.board
        (left, right), (other, drive) = shown.faces, shown.bores
        pieces = [(left, right, drive)] if other == drive else [(left, 0.0, other), (0.0, right, drive)]
        for side in (1.0, -1.0):
            for start, end, bore in pieces:
                wall = self._box((start, end), (side * bore / 2, side * self.outer))
                board.box(wall, None, fill=PAPER)
                board.hatch(wall, CUT)
                inner = self._at(0.0, side * bore / 2)[1]
                board.line((wall.left, inner), (wall.right, inner), OUTLINE, "shell-inside")
            whole = self._box(shown.faces, (side * min(shown.bores) / 2, side * self.outer))
            outer = self._at(0.0, side * self.outer)[1]
            outside = UNKNOWN if shown.outside is None else OUTLINE
            board.line((whole.left, outer), (whole.right, outer), outside, "shell-outside")
            for x in (whole.left, whole.right):
                pen = OUTLINE if shown.measured else UNKNOWN
                board.line((x, whole.top), (x, whole.bottom), pen, "shell-face")

    def _unit(self) -> None:
        """Its body, its flange and its other cup; no maker's shape is known."""
        shown, board = self.shown, self.board
        width, moved = shown.unit
        radius, side = min(shown.bores) / 2 * _BODY, 1.0 if shown.seated_right else -1.0
        cup, flange = shown.bores if shown.seated_right else shown.bores[::-1]
        board.box(self._box((moved - width / 2, moved + width / 2), (-radius, radius)), UNKNOWN, "unit")
        face = moved + side * width / 2
        other = moved - side * width / 2
        board.box(self._box((other, other + side * _CUP), (-cup / 2, cup / 2)), UNKNOWN, "cup")
        board.box(self._box((face, face + side * _FLANGE), (-self.outer, self.outer)), UNKNOWN, "flange", SHADE)
        if shown.spacer:
            for half in (1.0, -1.0):
                ring = self._box((face - side * shown.spacer, face), (half * flange / 2, half * self.outer))
                board.hatch(ring, CUT)
                board.box(ring, OUTLINE, "spacer")

    def _spindle(self) -> None:
        """Two tapered ends with the crosses that mark flats, and a shaft between them."""
        shown, board = self.shown, self.board
        left, right = shown.ends
        shaft = self._box((left + _TAPER, right - _TAPER), (-SHAFT / 2, SHAFT / 2))
        board.box(shaft, UNKNOWN, fill=PAPER)
        narrow = shown.end_width / 2
        wide = narrow + shown.slope * _TAPER
        for end, inward in ((left, 1.0), (right, -1.0)):
            root = end + inward * _TAPER
            corners = [self._at(end, narrow), self._at(root, wide), self._at(root, -wide), self._at(end, -narrow)]
            board.outline(corners, OUTLINE, "taper", PAPER)
            board.line(corners[0], corners[2], FINE)
            board.line(corners[1], corners[3], FINE)
        beyond = 2.0 / self.factor
        board.line(self._at(left - beyond, 0.0), self._at(right + beyond, 0.0), MIDDLE)

    def _rings(self, below: float) -> None:
        """The lower part of each ring; below it the chain lines that it hides are seen."""
        shown, foot = self.shown, below - _SEEN
        top = self.axis + (SHAFT / 2 + 1.0) * self.factor
        for place in shown.rings:
            if shown.thickness is None:
                x = self.scale.at(place)
                self.board.line((x, top), (x, foot), Pen(width=0.7), "ring")
            else:
                left, right = (self.scale.at(place + half) for half in (-shown.thickness / 2, shown.thickness / 2))
                self.board.box(Box(left, top, right, foot), OUTLINE, "ring", PAPER)


def _shell(shown: ShownBracket, language: Language) -> str:
    width = language.length(Length.mm(shown.width))
    return language.say("shell {width}" if shown.measured else "shell {width}, not measured", width=width)


def _spindle(shown: ShownBracket, language: Language) -> str:
    return language.say("spindle {length}", length=language.length(Length.mm(shown.ends[1] - shown.ends[0])))


def _notes(shown: ShownBracket, language: Language) -> Iterator[str]:
    """What is dashed, and what cannot be seen."""
    say = language.say
    dashed = [say("unit")]
    dashed += [say("shaft")]
    dashed += [say("outside of the shell")] if shown.outside is None else []
    dashed += [say("seat tube")] if shown.tube is None else []
    yield say("Dashed, not measured: {parts}.", parts=", ".join(dashed))
    if not shown.rings:
        yield say("Where each ring stands is not known: their spacing was not measured.")
    elif shown.thickness is None:
        yield say("Rings are drawn as lines: their thickness was not measured.")
    if shown.asymmetry:
        longer = SIDES["drive" if shown.asymmetry > 0 else "non_drive"]
        by = language.length(Length.mm(abs(shown.asymmetry)))
        yield say("The spindle's end is {by} longer on the {side}.", by=by, side=say(longer))
    if shown.spacer:
        by = language.length(Length.mm(shown.spacer))
        yield say("A spacer of {by} lies under the flange.", by=by)
    if shown.facing:
        by = language.length(Length.mm(shown.facing))
        yield say("Facing has taken {by} off the shell.", by=by)
