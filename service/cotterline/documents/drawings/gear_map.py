"""Every gear seen from above: where rings and sprockets stand, and how far aslant each chain runs.

Distances from the mid-plane are to scale; the chainstay is not, for then every chain would look straight.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from msgspec import UnsetType

from cotterline.bench.chain.drivetrain import DrivetrainResult, Place
from cotterline.bench.chain.gear import Gear
from cotterline.documents.drawings.board import LEAD, MARGIN, SMALL, WIDTH, Board, Point, text_width
from cotterline.documents.drawings.pens import FINE, VERMILION, Pen
from cotterline.documents.drawings.scale import Scale, fitting
from cotterline.documents.drawings.shown_bracket import in_mm
from cotterline.documents.language import Language
from cotterline.documents.words import SIDES

NAME: Final = "gear-map"

_APART: Final = 30.0
"""Millimetres of paper between rings and sprockets."""

_BAR: Final = 4.0
"""Millimetres of paper that a ring or sprocket is long."""

_ROW: Final = SMALL * LEAD
_LEAST: Final = 16.0
"""Millimetres of the bicycle that are shown at least."""

_COLUMN, _GAP = 15.0, 3.0
"""Millimetres of paper that a column of the table is wide, and of it empty on its right."""

_WITHIN: Final = Pen(width=0.2)
_STRAIGHTEST: Final = Pen(width=0.7)
_BEYOND: Final = Pen(VERMILION, 0.4, (1.6, 0.8))


def gear_map(drivetrain: DrivetrainResult, language: Language) -> str:
    """The drawing of a drivetrain's gears.

    Args:
        drivetrain: how the chain runs.
        language: whose words and numbers it is told in.
    """
    board, say = Board(), language.say
    limit = language.number(drivetrain.angle_limit_degrees, 2)
    labels = (say("sprockets"), say("rings"))
    scale = _scale(drivetrain, MARGIN + max(map(text_width, labels)) + 4.0)
    heading = say("Gears from above")
    board.paragraph(f"{heading}, {scale.name} {say('across')}", bold=True)
    board.text((WIDTH - MARGIN, board.y + SMALL * 0.95), f"{say(SIDES['drive'])} →", anchor="end")
    board.y += _ROW
    _map(board, drivetrain, scale, labels, language)
    board.y += 1.0
    rows = list(_Table(board, drivetrain, language).rows())
    notes = [
        say("Degrees of the chain to the mid-plane: plus where the ring stands further out."),
        say("Triangle and dashes: beyond the shop's limit of {limit}. Heavy: the straightest.", limit=limit),
    ]
    board.y += 0.8
    for note in notes:
        board.paragraph(note)
    return board.svg(NAME, heading, " ".join([*rows, *notes]), language.tag)


def _scale(drivetrain: DrivetrainResult, left: float) -> Scale:
    places = [in_mm(place.offset) for place in (*drivetrain.rings, *drivetrain.sprockets)]
    middle, half = (min(places) + max(places)) / 2, max((max(places) - min(places)) / 2, _LEAST / 2)
    return fitting(middle - half, middle + half, left, WIDTH - MARGIN - 4.0)


def _map(board: Board, drivetrain: DrivetrainResult, scale: Scale, labels: tuple[str, str], language: Language) -> None:
    """Sprockets above, rings below, and a line for every gear."""
    _names(board, drivetrain.sprockets, scale, labels[0], language)
    top = board.y + _BAR
    bottom = top + _APART
    _bars(board, drivetrain.sprockets, scale, board.y, "sprocket")
    for gear in sorted(drivetrain.gears, key=lambda each: _weight(each, drivetrain)):
        _chain(board, gear, drivetrain, scale, (top, bottom))
    _bars(board, drivetrain.rings, scale, bottom, "ring")
    board.y = bottom + _BAR + 0.4
    _names(board, drivetrain.rings, scale, labels[1], language)


def _weight(gear: Gear, drivetrain: DrivetrainResult) -> int:
    """What is drawn last lies on top."""
    return 2 if gear == drivetrain.extremes.straightest else int(gear.beyond_limit)


def _names(board: Board, places: Sequence[Place], scale: Scale, label: str, language: Language) -> None:
    """Numbers of teeth, or else of places; every second one in a row of its own where they stand close."""
    words = [language.number(_name(place)) for place in places]
    at = [scale.at(in_mm(place.offset)) for place in places]
    apart = min((abs(a - b) for a, b in pairwise(at)), default=WIDTH)
    rows = 1 if apart >= max(map(text_width, words)) + 0.3 else 2
    board.text((MARGIN, board.y + SMALL * 0.95), label)
    for number, (x, word) in enumerate(zip(at, words, strict=True)):
        board.text((x, board.y + (number % rows + 0.95 / LEAD) * _ROW), word, anchor="middle")
    board.y += rows * _ROW


def _name(place: Place) -> int:
    return place.number if isinstance(place.teeth, UnsetType) else place.teeth


def _bars(board: Board, places: Sequence[Place], scale: Scale, top: float, part: str) -> None:
    for place in places:
        x = scale.at(in_mm(place.offset))
        board.line((x, top), (x, top + _BAR), Pen(width=0.9), part)


def _chain(board: Board, gear: Gear, drivetrain: DrivetrainResult, scale: Scale, ends: tuple[float, float]) -> None:
    """One chain, with a triangle in its middle where it is beyond the limit."""
    start = scale.at(in_mm(drivetrain.sprockets[gear.sprocket - 1].offset)), ends[0]
    end = scale.at(in_mm(drivetrain.rings[gear.ring - 1].offset)), ends[1]
    straightest = gear == drivetrain.extremes.straightest
    pen = _BEYOND if gear.beyond_limit else _STRAIGHTEST if straightest else _WITHIN
    board.line(start, end, pen, "beyond" if gear.beyond_limit else "within")
    if gear.beyond_limit:
        middle = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
        _triangle(board, middle, 1.3)


def _triangle(board: Board, at: Point, half: float) -> None:
    x, y = at
    board.outline([(x, y - half), (x + half, y + half * 0.8), (x - half, y + half * 0.8)], None, "mark", VERMILION)


class _Table:
    """Angles, a row for each sprocket and a column for each ring, with their distances from the mid-plane."""

    def __init__(self, board: Board, drivetrain: DrivetrainResult, language: Language) -> None:
        self.board, self.drivetrain, self.language = board, drivetrain, language

    def rows(self) -> Iterator[str]:
        """Draw all; yield each row as a sentence."""
        rings, board = self.drivetrain.rings, self.board
        board.paragraph(self._heading())
        self._row("", "", [(self.language.number(_name(ring)), False) for ring in rings], head=True)
        self._row("", "", [(self._distance(ring), False) for ring in rings])
        board.line((MARGIN, board.y), (MARGIN + _COLUMN * (2 + len(rings)), board.y), FINE)
        board.y += 0.4
        for place in self.drivetrain.sprockets:
            name, row = self.language.number(_name(place)), self._gears(place)
            cells = [(self._degrees(gear), gear.beyond_limit) for gear in row]
            self._row(name, self._distance(place), cells)
            yield f"{name}: {', '.join(words for words, _ in cells)}."

    def _heading(self) -> str:
        say, unit = self.language.say, self.language.units
        if isinstance(self.drivetrain.sprockets[0].teeth, UnsetType):
            return say("Sprockets by rings, outermost first; {unit} from the mid-plane", unit=unit)
        return say("Sprockets by rings, named by teeth; {unit} from the mid-plane", unit=unit)

    def _gears(self, sprocket: Place) -> list[Gear]:
        return [gear for gear in self.drivetrain.gears if gear.sprocket == sprocket.number]

    def _row(self, name: str, distance: str, cells: Sequence[tuple[str, bool]], *, head: bool = False) -> None:
        """One row: what it is of, how far out that stands, and a cell for each ring, some beyond the limit."""
        board, base = self.board, self.board.y + SMALL * 0.95
        board.text((MARGIN, base), name, bold=True)
        board.text((MARGIN + 2 * _COLUMN - _GAP, base), distance, anchor="end")
        for number, (words, beyond) in enumerate(cells, start=3):
            x = MARGIN + number * _COLUMN - _GAP
            board.text((x, base), words, anchor="end", bold=head or beyond)
            if beyond:
                _triangle(board, (x + 1.2, base - SMALL * 0.35), 0.7)
        board.y += _ROW

    def _distance(self, place: Place) -> str:
        metric = self.language.units == "mm"
        return self.language.number(place.offset.to(self.language.units).value, 1 if metric else 3, fixed=True)

    def _degrees(self, gear: Gear) -> str:
        rounded = round(gear.angle_degrees, 2)
        return f"{'+' if rounded > 0 else ''}{self.language.number(rounded, 2, fixed=True)}"
