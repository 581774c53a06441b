"""Square tapers: how far an arm moves when the end under it changes standard.

Two answers are in use and they disagree: a published convention of 4.5 mm a side, and the geometry of the taper,
``(w_jis - w_iso) / (2 tan 2 degrees)``. Both are reported; the shop says which one is applied, and the distance
between them is carried as uncertainty.
"""

import math
from typing import Literal

import msgspec

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Length, Uncertain
from cotterline.bench.shop import TaperConvention

Taper = Literal["iso", "jis"]
KnownTaper = Literal["iso", "jis", "unknown"]

BOOKED_CONVENTION = "taper convention"
BOOKED_UNSTATED = "taper of the reference spindle"


class _Angle(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    degrees: float
    source: str
    grade: str


class _AcrossFlats(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    lowest: float
    highest: float
    source: str
    grade: str


class _Shift(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mm: float
    source: str
    grade: str


class _Unstated(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mismatch_share: float
    source: str
    grade: str


class _Tapers(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    flat_angle: _Angle
    across_flats: dict[Taper, _AcrossFlats]
    published_shift: _Shift
    unstated: _Unstated


_DATA = load("tapers", _Tapers)


class TaperShift(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a change of taper standard did to an arm, and by how much the conventions differ.

    Attributes:
        convention: the one that was applied.
        applied: how far outwards it moved this arm; negative is inwards.
        published: how much further out an arm sits on a JIS end than on an ISO end, by the published convention.
        geometry_lowest: the same by geometry with the least JIS width in print, which ``geometry`` applies.
        geometry_highest: the same by geometry with the greatest JIS width in print.
    """

    convention: TaperConvention
    applied: Length
    published: Length
    geometry_lowest: Length
    geometry_highest: Length


def end_width(taper: Taper) -> float:
    """Width across the flats at the narrow end in mm, the least in print.

    >>> end_width("iso")
    12.5
    """
    return _DATA.across_flats[taper].lowest


def flat_slope() -> float:
    """How much nearer the axis a flat comes for each mm towards the end.

    >>> round(flat_slope(), 4)
    0.0349
    """
    return math.tan(math.radians(_DATA.flat_angle.degrees))


def geometric_shift(jis_width: float, iso_width: float, trace: Trace) -> float:
    """Seat shift in mm a side between two ends of the given widths across the flats.

    >>> round(geometric_shift(12.63, 12.50, Trace()), 2), round(geometric_shift(12.73, 12.50, Trace()), 2)
    (1.86, 3.29)
    """
    angle = _DATA.flat_angle
    return trace.note(
        "seat shift by the taper's geometry",
        "(w_jis - w_iso) / (2 * tan(radians(angle)))",
        (jis_width - iso_width) / (2 * math.tan(math.radians(angle.degrees))),
        "mm",
        angle.source,
        w_jis=jis_width,
        w_iso=iso_width,
        angle=angle.degrees,
    )


def jis_over_iso(convention: TaperConvention, trace: Trace) -> Uncertain:
    """How much further out an arm sits on a JIS end than on an ISO end, mm a side.

    The standard deviation is the root mean square distance from the applied value if any value between the two
    conventions is as likely as any other: JCGM 100:2008, F.2.4.5 with the variance of 4.3.7.

    >>> jis_over_iso("published", Trace()).value
    4.5
    """
    published = _DATA.published_shift.mm
    geometry = _geometry("lowest", trace)
    applied = published if convention == "published" else geometry
    sd = trace.note(
        "spread between the taper conventions",
        "(published - geometry) / sqrt(3)",
        (published - geometry) / math.sqrt(3),
        "mm",
        "JCGM 100:2008, F.2.4.5 and 4.3.7",
        published=published,
        geometry=geometry,
    )
    return Uncertain.of(applied, sd, BOOKED_CONVENTION)


def moved_by_taper(reference: Taper, wanted: Taper, convention: TaperConvention, trace: Trace) -> Uncertain:
    """How far out an arm moves when the end under it changes from ``reference`` to ``wanted``, mm a side.

    Which standard the arm itself was made for does not enter: an ISO arm moves out by the shift when it goes from
    its own end to a JIS end, a JIS arm when it comes from an ISO end to its own.

    >>> moved_by_taper("jis", "iso", "published", Trace()).value
    -4.5
    """
    if reference == wanted:
        return Uncertain(0.0)
    shift = jis_over_iso(convention, trace)
    return shift if wanted == "jis" else -shift


def unstated_taper(convention: TaperConvention, trace: Trace) -> Uncertain:
    """No shift, but the error of taking a reference spindle of unstated standard for the wanted one.

    A share of such references is of the other standard: the root mean square error is the shift times the square
    root of that share.
    """
    row = _DATA.unstated
    shift = jis_over_iso(convention, trace).value
    sd = trace.note(
        "error of an unstated reference taper",
        "shift * sqrt(share)",
        shift * math.sqrt(row.mismatch_share),
        "mm",
        row.source,
        shift=shift,
        share=row.mismatch_share,
    )
    return Uncertain.of(0.0, sd, BOOKED_UNSTATED)


def both_conventions(moved: Uncertain, convention: TaperConvention) -> TaperShift:
    """The shift that was applied beside both conventions it could have come from."""
    silent = Trace(wanted=False)
    return TaperShift(
        convention=convention,
        applied=moved.length,
        published=Length.mm(_DATA.published_shift.mm),
        geometry_lowest=Length.mm(_geometry("lowest", silent)),
        geometry_highest=Length.mm(_geometry("highest", silent)),
    )


def _geometry(end: Literal["lowest", "highest"], trace: Trace) -> float:
    jis = _DATA.across_flats["jis"]
    return geometric_shift(jis.lowest if end == "lowest" else jis.highest, _DATA.across_flats["iso"].lowest, trace)
