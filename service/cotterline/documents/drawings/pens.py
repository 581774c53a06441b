"""With what a drawing is drawn: few colours, and lines and hatchings that tell apart without them.

Colours are three of the eight of Okabe and Ito, "Color Universal Design" (2008), chosen to stay apart for colour-blind
readers: black, blue and vermilion. Where they end in grey, each kind of line has its own dashes and each kind of band
its own hatching.
"""

from typing import Final, NamedTuple

BLACK: Final = "#000000"
BLUE: Final = "#0072B2"
VERMILION: Final = "#D55E00"
PAPER: Final = "#FFFFFF"
SHADE: Final = "#E3E3E3"
"""Fills of areas; whatever lies on it is as dark as on paper, nearly."""

COLOURS: Final = (BLACK, BLUE, VERMILION)
"""What lines and text are drawn in."""


class Pen(NamedTuple):
    """How a line is drawn: colour, width in mm, dashes and gaps in mm, none for a whole line."""

    colour: str = BLACK
    width: float = 0.18
    dashes: tuple[float, ...] = ()


FINE: Final = Pen()
"""Dimensions, their extensions, axes and hatchings."""

OUTLINE: Final = Pen(width=0.4)
"""Edges that are known."""

UNKNOWN: Final = Pen(width=0.25, dashes=(1.4, 0.9))
"""Edges that were not measured."""

MIDDLE: Final = Pen(dashes=(4.0, 0.7, 0.5, 0.7))
"""The mid-plane of the frame, and the axis of the spindle."""

WANTED: Final = Pen(BLUE, 0.45, (3.0, 0.6, 0.6, 0.6, 0.6, 0.6))
"""The chain line to reach."""

EXPECTED: Final = Pen(VERMILION, 0.6)
"""The chain line predicted."""

FOUND: Final = Pen(BLACK, 0.55, (0.6, 0.6))
"""The chain line measured once the crank was on."""


class Hatching(NamedTuple):
    """Parallel lines in an area: colour, how far apart in mm, rising to the right, falling, or upright."""

    colour: str
    apart: float
    rise: float
    width: float = 0.15


CUT: Final = Hatching(BLACK, 0.9, 1.0)
"""Material that is cut through."""

WANTED_BAND: Final = Hatching(BLUE, 1.1, 1.0)
EXPECTED_BAND: Final = Hatching(VERMILION, 0.8, -1.0)
FOUND_BAND: Final = Hatching(BLACK, 0.7, 0.0)
