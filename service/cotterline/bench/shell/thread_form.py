"""Geometry of screw-thread forms: pitch and core diameters, depth, and the limits of cut parts.

Sources: ISO 68-1:1998 (basic profile, 60 degrees), ISO 965-1:2013 (tolerances, classes 6g and 6H),
BS 84:1956 (Whitworth form, 55 degrees), JIS B 0225:1960 (cycle threads, form BC).
"""

import math
from typing import Literal, NamedTuple

Form = Literal["iso", "whitworth", "cycle"]

_CORE_FACTOR = {"iso": 5 * math.sqrt(3) / 8, "whitworth": 1.280654, "cycle": 1.0654}
_PITCH_FACTOR = {"iso": 3 * math.sqrt(3) / 8, "whitworth": 0.640327, "cycle": 0.5327}


class Limits(NamedTuple):
    """Largest and smallest size of a cut part, mm."""

    high: float
    low: float

    @property
    def middle(self) -> float:
        """Half way between the limits, mm."""
        return (self.high + self.low) / 2


def pitch_diameter(diameter: float, pitch: float, form: Form = "iso") -> float:
    """Basic pitch diameter in mm of a thread with outside ``diameter`` and ``pitch`` in mm.

    >>> round(pitch_diameter(34.798, 25.4 / 24), 3)
    34.111
    """
    return diameter - _PITCH_FACTOR[form] * pitch


def core_diameter(diameter: float, pitch: float, form: Form = "iso") -> float:
    """Basic core (minor) diameter in mm.

    >>> round(core_diameter(36.0, 25.4 / 24), 3)
    34.854
    """
    return diameter - _CORE_FACTOR[form] * pitch


def cup_limits(diameter: float, pitch: float) -> Limits:
    """Outside-diameter limits in mm of a male thread cut to class 6g (ISO 965-1:2013, clause 13).

    >>> limits = cup_limits(34.798, 25.4 / 24)
    >>> round(limits.high, 3), round(limits.low, 3)
    (34.771, 34.587)
    """
    deviation = (15 + 11 * pitch) / 1000
    tolerance = (180 * pitch ** (2 / 3) - 3.15 / math.sqrt(pitch)) / 1000
    return Limits(diameter - deviation, diameter - deviation - tolerance)


def shell_limits(diameter: float, pitch: float, form: Form = "iso") -> Limits:
    """Minor-diameter limits in mm of a female thread cut to class 6H (ISO 965-1:2013, clause 13).

    >>> limits = shell_limits(35.0, 1.0)
    >>> round(limits.high, 3), round(limits.low, 3)
    (34.147, 33.917)
    """
    tolerance = 230 * pitch**0.7 if pitch >= 1 else 433 * pitch - 190 * pitch**1.22
    basic = core_diameter(diameter, pitch, form)
    return Limits(basic + tolerance / 1000, basic)
