"""The drawing board: lines, areas and words in millimetres of paper, and at last the whole as SVG.

One unit of the drawing is one millimetre of paper, so a print at full size is to the scale it names. Everything is
escaped by the XML writer; there is no script, no style, no font and no reference in it, so it can stand in any page.
The same calls give the same bytes (SVG 2, W3C Candidate Recommendation of 2018).
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Literal, NamedTuple
from xml.etree import ElementTree as ET

from cotterline.documents.drawings.pens import BLACK, FINE, PAPER, Hatching, Pen
from cotterline.documents.sheet import width as letters
from cotterline.documents.xml_text import xml_text

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]

WIDTH: Final = 94.0
"""Millimetres that every drawing is wide: half of a sheet of A4 or Letter, less its margins."""

MARGIN: Final = 1.0
"""Millimetres at its left and right that stay empty."""

SMALL, LARGE = 2.65, 3.2
"""Sizes of letters in mm: 7.5 and 9 points, the least that is read at the bench and what is read easily."""

_LETTER: Final = 0.64
"""Width of a letter of common size by its height: that of a figure in DejaVu Sans, among the widest of usual fonts."""

_NARROW, _SLIM = frozenset(" .,:;'|!iljtfrI()-"), 0.42
"""Letters that are narrow in every font, and how wide they are at most."""

_BOLDER: Final = 1.12
"""How much wider the same letters are in bold."""

_ASCENT, _DESCENT = 0.95, 0.26
"""How far letters reach above and below their line, by their size, at most."""

LEAD: Final = 1.3
"""From one line of text to the next, by its size."""

ARROW: Final = 1.2
"""Millimetres of an arrow's length."""

_NOTHING: Final = 0.02
"""Millimetres of paper that nobody sees."""

_SVG: Final = "http://www.w3.org/2000/svg"


class Box(NamedTuple):
    """An area of paper in mm, y downwards."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """From left to right."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """From top to bottom."""
        return self.bottom - self.top


def text_width(text: str, size: float = SMALL, *, bold: bool = False) -> float:
    """Millimetres a text takes at most in a usual font without serifs.

    >>> round(text_width("Spindle 113 mm"), 1)
    25.5
    """
    wide = "".join(letter for letter in text if letter not in _NARROW)
    ems = letters(wide) * _LETTER + (len(text) - len(wide)) * _SLIM
    return ems * size * (_BOLDER if bold else 1.0)


def folded(text: str, room: float, size: float = SMALL, *, bold: bool = False) -> Iterator[str]:
    """Yield the text in lines no wider than ``room`` mm; a word that is wider is broken.

    >>> list(folded("dashed: not measured", 25))
    ['dashed: not', 'measured']
    """
    line = ""
    for word in text.split():
        tried = f"{line} {word}" if line else word
        if text_width(tried, size, bold=bold) <= room:
            line = tried
            continue
        if line:
            yield line
        *whole, line = _broken(word, room, size, bold=bold)
        yield from whole
    if line:
        yield line


def _broken(word: str, room: float, size: float, *, bold: bool) -> Iterator[str]:
    part = ""
    for letter in word:
        if part and text_width(part + letter, size, bold=bold) > room:
            yield part
            part = ""
        part += letter
    yield part


class Board:
    """A drawing in the making. Words lie above all lines, on a ground of their own where lines would cross them.

    Attributes:
        y: how far down it is drawn, for what goes below.
    """

    def __init__(self) -> None:
        self.y = MARGIN
        self._drawn: list[ET.Element] = []
        self._written: list[ET.Element] = []

    def line(self, start: Point, end: Point, pen: Pen = FINE, part: str = "") -> None:
        """Draw a straight line."""
        ends = _numbers(x1=start[0], y1=start[1], x2=end[0], y2=end[1])
        self._add("line", part, ends | _stroke(pen))

    def outline(self, points: Sequence[Point], pen: Pen | None, part: str = "", fill: str = "none") -> None:
        """Draw a closed outline."""
        self._add("path", part, {"d": f"{_path(points)}Z", "fill": fill} | _stroke(pen))

    def box(self, box: Box, pen: Pen | None, part: str = "", fill: str = "none") -> None:
        """Draw a rectangle."""
        self._add("rect", part, _sides(box) | {"fill": fill} | _stroke(pen))

    def dot(self, centre: Point, radius: float, part: str = "", fill: str = BLACK, pen: Pen | None = None) -> None:
        """Draw a disc."""
        place = _numbers(cx=centre[0], cy=centre[1], r=radius)
        self._add("circle", part, place | {"fill": fill} | _stroke(pen))

    def hatch(self, box: Box, hatching: Hatching) -> None:
        """Fill a rectangle with parallel lines."""
        drawn = "".join(_path(ends) for ends in _hatches(box, hatching))
        if drawn:
            self._add("path", "", {"d": drawn, "fill": "none"} | _stroke(Pen(hatching.colour, hatching.width)))

    def text(  # noqa: PLR0913 - where it stands, and how it looks
        self,
        at: Point,
        words: str,
        *,
        size: float = SMALL,
        anchor: Anchor = "start",
        bold: bool = False,
        ground: bool = False,
    ) -> Box:
        """Write one line, ``at`` on its base line; return the box it needs. On a ``ground`` nothing shines through."""
        wide = text_width(words, size, bold=bold)
        left = at[0] - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        taken = Box(left, at[1] - size * _ASCENT, left + wide, at[1] + size * _DESCENT)
        if ground:
            self._written.append(ET.Element("rect", _sides(taken) | {"fill": PAPER}))
        looks = _numbers(x=at[0], y=at[1]) | {"font-size": _number(size)}
        looks |= {"text-anchor": anchor} if anchor != "start" else {}
        looks |= {"font-weight": "bold"} if bold else {}
        element = ET.Element("text", looks)
        element.text = xml_text(words)
        self._written.append(element)
        return taken

    def paragraph(self, words: str, *, size: float = SMALL, bold: bool = False, mark: str = "") -> None:
        """Write lines across the whole width, below what is drawn, after a mark if there is one."""
        left = MARGIN + (text_width(f"{mark} ", size, bold=bold) if mark else 0.0)
        for number, line in enumerate(folded(words, WIDTH - MARGIN - left, size, bold=bold)):
            base = self.y + size * _ASCENT
            if mark and not number:
                self.text((MARGIN, base), mark, size=size, bold=bold)
            self.text((left, base), line, size=size, bold=bold)
            self.y += size * LEAD

    def dimension(self, ends: tuple[float, float], y: float, words: str, part: str, since: float) -> None:
        """Draw a dimension between two uprights from ``since`` to ``y``, its words on it or beside it."""
        left, right = sorted(ends)
        for x in dict.fromkeys((left, right)):
            self.line((x, since), (x, y + (0.7 if y > since else -0.7)))
        self.line((left, y), (right, y), part=part)
        inside = right - left > 2 * ARROW
        for tip, away in ((left, 1.0), (right, -1.0)) if right - left > _NOTHING else ():
            turned = away if inside else -away
            self.arrow((tip, y), turned)
            if not inside:
                self.line((tip, y), (tip + turned * 2 * ARROW, y))
        wide = text_width(words)
        middle = min(max((left + right) / 2, MARGIN + wide / 2), WIDTH - MARGIN - wide / 2)
        self.text((middle, y - 0.8), words, anchor="middle", ground=True)

    def arrow(self, tip: Point, away: float) -> None:
        """Draw an arrow's head with its tip at a point; its shaft lies to the right for 1, to the left for -1."""
        back = tip[0] + away * ARROW
        self.outline([tip, (back, tip[1] - ARROW / 4), (back, tip[1] + ARROW / 4)], None, fill=BLACK)

    def svg(self, name: str, title: str, told: str, language: str) -> str:
        """The whole drawing.

        Args:
            name: of the drawing; ids in it begin with it.
            title: what it shows, for readers who do not see it.
            told: the same in full.
            language: tag of the language of its words.
        """
        height = round(self.y + MARGIN, 1)
        root = ET.Element("svg", {"xmlns": _SVG, "width": f"{_number(WIDTH)}mm", "height": f"{_number(height)}mm"})
        root.attrib |= {"viewBox": f"0 0 {_number(WIDTH)} {_number(height)}", "role": "img", "lang": language}
        root.attrib |= {"aria-labelledby": f"{name}-title {name}-desc", "font-family": "sans-serif", "fill": BLACK}
        for tag, words in (("title", title), ("desc", told)):
            ET.SubElement(root, tag, {"id": f"{name}-{tag}"}).text = xml_text(words)
        ET.SubElement(root, "rect", {"width": _number(WIDTH), "height": _number(height), "fill": PAPER})
        root.extend([*self._drawn, *self._written])
        return ET.tostring(root, encoding="unicode")

    def _add(self, tag: str, part: str, attributes: dict[str, str]) -> None:
        self._drawn.append(ET.Element(tag, ({"data-part": part} if part else {}) | attributes))


def _stroke(pen: Pen | None) -> dict[str, str]:
    if pen is None:
        return {}
    looks = {"stroke": pen.colour, "stroke-width": _number(pen.width)}
    return looks | ({"stroke-dasharray": " ".join(map(_number, pen.dashes))} if pen.dashes else {})


def _sides(box: Box) -> dict[str, str]:
    return _numbers(x=box.left, y=box.top, width=box.width, height=box.height)


def _numbers(**values: float) -> dict[str, str]:
    return {name: _number(value) for name, value in values.items()}


def _path(points: Iterable[Point]) -> str:
    return "".join(f"{'L' if number else 'M'}{_number(x)} {_number(y)}" for number, (x, y) in enumerate(points))


def _hatches(box: Box, hatching: Hatching) -> Iterator[tuple[Point, Point]]:
    """Each line of a hatching, cut at the box; where lines lie follows from the paper, so neighbouring boxes join."""
    run = hatching.rise * box.height
    # A line that crosses the bottom at x crosses the top at x + run.
    least, most = min(box.left, box.left - run), max(box.right, box.right - run)
    apart = hatching.apart * (2**0.5 if hatching.rise else 1.0)
    phase = -hatching.rise * box.bottom
    for step in range(int((least - phase) // apart), int((most - phase) // apart) + 2):
        foot = phase + step * apart
        for low, high in _shares(foot, box, run):
            yield _crossed(foot, box, run, low), _crossed(foot, box, run, high)


def _shares(foot: float, box: Box, run: float) -> Iterator[tuple[float, float]]:
    """Yield from which to which share of the height a hatching line lies inside the box, if it does."""
    if not run:
        if box.left < foot < box.right:
            yield 0.0, 1.0
        return
    enters, leaves = sorted(((box.left - foot) / run, (box.right - foot) / run))
    low, high = max(enters, 0.0), min(leaves, 1.0)
    if low < high:
        yield low, high


def _crossed(foot: float, box: Box, run: float, share: float) -> Point:
    """Where a hatching line is at a share of the box's height."""
    return foot + share * run, box.bottom - share * box.height


def _number(value: float) -> str:
    """A coordinate to a thousandth of a millimetre, as short as it can be written."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")
