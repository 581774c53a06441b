"""One ring with one sprocket: how far aslant the chain runs, and whether that is beyond the shop's limit."""

import math
from collections.abc import Sequence
from typing import Final

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import COVERAGE, Length, Uncertain, probability, within

_GEOMETRY: Final = "plane geometry, no source needed"
_ANGLE_SOURCE: Final = "bikeforums.net post 3872383: the angle whose tangent is offset over chainstay"
_GUM: Final = "JCGM 100:2008, equation 10 with coverage factor 2"
_NORMAL: Final = "normal distribution of the angle's error; JCGM 100:2008, annex G"
_PLACES: Final = 4


class Gear(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One ring with one sprocket.

    Attributes:
        ring: number of the ring, outermost first.
        sprocket: number of the sprocket, outermost first.
        offset: ring less sprocket; positive where the ring stands further out.
        angle_degrees: of the chain to the mid-plane, with the sign of ``offset``.
        angle_plus_minus: expanded uncertainty of the angle (coverage factor 2), degrees.
        beyond_limit: whether the angle exceeds the shop's limit, either way.
        beyond_probability: probability that it truly does.
    """

    ring: int
    sprocket: int
    offset: Length
    angle_degrees: float
    angle_plus_minus: float
    beyond_limit: bool
    beyond_probability: float


class Extremes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The gears whose chain runs most aslant each way, and the one where it runs straightest; first of equals."""

    ring_furthest_out: Gear
    ring_furthest_in: Gear
    straightest: Gear


def combine(
    rings: Sequence[Uncertain], sprockets: Sequence[Uncertain], chainstay: Uncertain, limit: float, trace: Trace
) -> tuple[Gear, ...]:
    """Every ring with every sprocket, ring by ring, each outermost first.

    Args:
        rings: distance of each ring from the mid-plane, mm.
        sprockets: distance of each sprocket from the mid-plane, mm.
        chainstay: its length, mm; its error must be none of those of the rings and sprockets.
        limit: chain angle in degrees beyond which a gear is flagged.
        trace: takes the steps.

    A published example (bikeforums.net post 3872383) has the ring 5 mm out over a chainstay of 391 mm:

    >>> combine([Uncertain(47.0)], [Uncertain(42.0)], Uncertain(391.0), 2.5, Trace())[0].angle_degrees
    0.7326
    """
    return tuple(
        _gear((r, s), (ring, sprocket), chainstay, limit, trace)
        for r, ring in enumerate(rings, start=1)
        for s, sprocket in enumerate(sprockets, start=1)
    )


def extremes(gears: Sequence[Gear]) -> Extremes:
    """The outermost, innermost and straightest of ``gears``."""
    return Extremes(
        ring_furthest_out=max(gears, key=lambda gear: gear.offset.value),
        ring_furthest_in=min(gears, key=lambda gear: gear.offset.value),
        straightest=min(gears, key=lambda gear: abs(gear.offset.value)),
    )


def _gear(
    numbers: tuple[int, int], ends: tuple[Uncertain, Uncertain], chainstay: Uncertain, limit: float, trace: Trace
) -> Gear:
    offset = ends[0] - ends[1]
    angle = math.degrees(math.atan(offset.value / chainstay.value))
    sd = _angle_sd(offset, chainstay)
    beyond = 1.0 - within(angle, sd, -limit, limit)
    if trace.wanted:
        name = f"ring {numbers[0]}, sprocket {numbers[1]}"
        _note_angle(name, ends, chainstay, trace)
        if sd > 0.0:
            _note_beyond(name, beyond, (angle, sd, limit), trace)
    return Gear(
        ring=numbers[0],
        sprocket=numbers[1],
        offset=offset.length,
        angle_degrees=round(angle, _PLACES) + 0.0,
        angle_plus_minus=round(COVERAGE * sd, _PLACES),
        beyond_limit=abs(angle) > limit,
        beyond_probability=probability(beyond),
    )


def _angle_sd(offset: Uncertain, chainstay: Uncertain) -> float:
    slope = offset.value / chainstay.value
    of_slope = math.hypot(offset.sd / chainstay.value, slope * chainstay.sd / chainstay.value)
    return math.degrees(of_slope / (1 + slope**2))


def _note_angle(name: str, ends: tuple[Uncertain, Uncertain], chainstay: Uncertain, trace: Trace) -> None:
    ring, sprocket = ends
    offset = ring - sprocket
    trace.note(
        f"{name}: offset", "ring - sprocket", offset.value, "mm", _GEOMETRY, ring=ring.value, sprocket=sprocket.value
    )
    trace.note(
        f"{name}: chain angle",
        "degrees(atan(offset / chainstay))",
        math.degrees(math.atan(offset.value / chainstay.value)),
        "degrees",
        _ANGLE_SOURCE,
        offset=offset.value,
        chainstay=chainstay.value,
    )
    trace.note(
        f"{name}: plus-minus of the chain angle",
        "2 * degrees(sqrt((offset_sd / chainstay) ** 2 + (offset * chainstay_sd / chainstay ** 2) ** 2)"
        " / (1 + (offset / chainstay) ** 2))",
        COVERAGE * _angle_sd(offset, chainstay),
        "degrees",
        _GUM,
        offset=offset.value,
        offset_sd=offset.sd,
        chainstay=chainstay.value,
        chainstay_sd=chainstay.sd,
    )


def _note_beyond(name: str, beyond: float, of_angle: tuple[float, float, float], trace: Trace) -> None:
    angle, sd, limit = of_angle
    trace.note(
        f"{name}: probability beyond the limit",
        "1 - phi((limit - angle) / sd) + phi((-limit - angle) / sd)",
        beyond,
        "1",
        _NORMAL,
        angle=angle,
        sd=sd,
        limit=limit,
    )
