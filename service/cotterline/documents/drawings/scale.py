"""Scales of drawings, and where a distance of the bicycle lies on paper."""

from fractions import Fraction
from typing import Final, NamedTuple

SCALES: Final = tuple(
    Fraction(text) for text in ("50", "20", "10", "5", "2", "1", "1/2", "1/5", "1/10", "1/20", "1/50")
)
"""The usual ones, largest first. From memory of ISO 5455:1979, which recommends these steps for technical drawings."""


class Scale(NamedTuple):
    """A scale, and where on paper the bicycle's mid-plane lies; lengths in mm.

    Attributes:
        factor: paper by bicycle.
        origin: of the mid-plane on paper.
    """

    factor: Fraction
    origin: float

    def at(self, distance: float) -> float:
        """Where a distance to the drive side lies on paper."""
        return self.origin + distance * float(self.factor)

    @property
    def name(self) -> str:
        """As it is written.

        >>> Scale(Fraction(1, 2), 0).name, Scale(Fraction(5), 0).name
        ('1:2', '5:1')
        """
        return f"{self.factor.numerator}:{self.factor.denominator}"


def fitting(least: float, most: float, left: float, right: float) -> Scale:
    """The largest scale at which distances from ``least`` to ``most`` fit between two places on paper, in the middle.

    >>> fitting(-60, 60, 0, 94).name
    '1:2'
    """
    factor = next((each for each in SCALES if (most - least) * float(each) <= right - left), SCALES[-1])
    return Scale(factor, (left + right) / 2 - (least + most) / 2 * float(factor))
