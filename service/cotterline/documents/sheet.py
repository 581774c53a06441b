"""How much of a sheet of paper text takes, so that a card can tell beforehand what fits.

An estimate, on the safe side: letters of the card's size are taken to be 0.53 em wide on average. Tests print cards.
"""

import math
from typing import Final, Literal

Paper = Literal["a4", "letter"]

HEIGHT: Final = {"a4": 297.0, "letter": 279.4}
"""Millimetres: ISO 216:2007, and ANSI/ASME Y14.1 size A."""

LETTER_TERRITORIES: Final = frozenset(
    {"BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"}
)
"""Where paper is Letter and not A4. From memory of the Unicode CLDR's supplemental data, paperSize."""

MARGIN: Final = 8.0
"""Millimetres on each side, as in ``templates/a4.css`` and ``templates/letter.css``."""

LETTERS: Final = 66
"""Letters of the card's text on one line of a column."""

LINE: Final = 3.2
"""Millimetres from one line of it to the next."""


def usual_paper(territory: str | None) -> Paper:
    """The paper a territory prints on; A4 where none is named.

    >>> usual_paper("US"), usual_paper("DE"), usual_paper(None)
    ('letter', 'a4', 'a4')
    """
    return "letter" if territory in LETTER_TERRITORIES else "a4"


def lines(text: str, letters: int = LETTERS) -> float:
    """Millimetres a paragraph takes.

    >>> lines("a" * 67)
    6.4
    """
    return math.ceil(len(text) / letters) * LINE


def clipped(text: str, most: int) -> str:
    """The text, or as much of it as ``most`` letters hold, marked as cut.

    >>> clipped("Fit both arms", 9)
    'Fit both…'
    """
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
