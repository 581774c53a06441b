"""How much of a sheet of paper text takes, so that a card can tell beforehand what fits.

An estimate, on the safe side. Tests print cards and see that it is.
"""

import math
import unicodedata
from itertools import accumulate
from typing import Final, Literal, NamedTuple

Paper = Literal["a4", "letter"]

HEIGHT: Final = {"a4": 297.0, "letter": 279.4}
"""Millimetres: ISO 216:2007, and ANSI/ASME Y14.1 size A."""

LETTER_TERRITORIES: Final = frozenset(
    {"BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"}
)
"""Where paper is Letter and not A4. From memory of the Unicode CLDR's supplemental data, paperSize."""

_WIDEST: Final = frozenset("MWm@%")

MARGIN: Final = 8.0
"""Millimetres on each side, as in ``templates/a4.css`` and ``templates/letter.css``."""


class Type(NamedTuple):
    """A size of letters.

    Attributes:
        name: of its class in ``templates/bench_card.css``.
        step: letters on a line beside the minutes of a step.
        column: letters on a line as wide as a column.
        sheet: letters on a line as wide as the sheet.
        line: millimetres from one line to the next.
    """

    name: str
    step: int
    column: int
    sheet: int
    line: float

    def height(self, text: str, letters: int) -> float:
        """Millimetres a paragraph takes on lines of so many letters.

        >>> CLOSE.height("a" * 73, CLOSE.column)
        6.26
        """
        return math.ceil(width(text) / letters) * self.line


TYPES: Final = (
    ROOMY := Type("roomy", step=45, column=60, sheet=122, line=3.57),
    EVEN := Type("even", step=50, column=66, sheet=131, line=3.33),
    CLOSE := Type("close", step=55, column=72, sheet=140, line=3.13),
)
"""The sizes there are, the easiest to read first."""


def usual_paper(territory: str | None) -> Paper:
    """The paper a territory prints on; A4 where none is named.

    >>> usual_paper("US"), usual_paper("DE"), usual_paper(None)
    ('letter', 'a4', 'a4')
    """
    return "letter" if territory in LETTER_TERRITORIES else "a4"


def width(text: str) -> float:
    """How wide a text is, in letters of common size: capitals are wider, and ideographs twice as wide (UAX #11).

    >>> width("ab"), width("AB"), width("中")
    (2.0, 2.8, 2.0)
    """
    return math.fsum(_width(letter) for letter in text)


def _width(letter: str) -> float:
    if letter in _WIDEST or unicodedata.east_asian_width(letter) in {"W", "F"}:
        return 2.0
    return 1.4 if letter.isupper() else 1.0


def clipped(text: str, most: int) -> str:
    """The text, or as much of it as is ``most`` letters wide, marked as cut.

    >>> clipped("Fit both arms", 10)
    'Fit both…'
    """
    if width(text) <= most:
        return text
    ends = accumulate(map(_width, text), initial=1.0)
    return f"{text[: sum(end <= most for end in ends) - 1].rstrip()}…"
