"""A crank's offset: its chain line less what the spindle and its seat put there, from a spindle that was fitted.

An arm moves by half of what a spindle gains in length and by half of what its right end gains over its left, so
``chain_line - (length + asymmetry) / 2 - seat`` is the same for one crank on every spindle of one taper standard.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Annotated, Final, NamedTuple

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.gtin import Gtin
from cotterline.bench.quantity import Errors, Uncertain
from cotterline.bench.spindle.crank import ERRORS, Crank, CrankName, NamedCrank
from cotterline.bench.spindle.placing import SeatedUnit
from cotterline.bench.spindle.taper import Taper

BOOKED_FITTED_LENGTH: Final = "length tolerance of the fitted spindle"
BOOKED_FITTED_SEATING: Final = "seating depth on the fitted spindle"
BOOKED_FITTED_SEAT: Final = "seat of the fitted unit in its shell"

_POOLED_DECIMALS: Final = 6
"""To how many decimals two figures are one, however a database keeps them."""

_GEOMETRY: Final = "an arm moves by half the change in length of a symmetric spindle: plane geometry, no source needed"
_QUADRATURE: Final = "JCGM 100:2008, equation 10"

Offset = Annotated[float, Meta(ge=-100, le=100, description="Chain line less half the spindle and the seat, mm.")]
OffsetSpread = Annotated[float, Meta(gt=0, le=100, description="Standard deviation of the offset, mm.")]


class Kind(NamedTuple):
    """Cranks whose offsets are alike: as many rings, on ends of one standard."""

    rings: int
    taper: Taper


class CrankId(NamedTuple):
    """By what a crank is known again: the shop's own name, its trade item number, both or neither."""

    name: CrankName | UnsetType = UNSET
    gtin: Gtin | UnsetType = UNSET

    @property
    def stated(self) -> bool:
        """Whether there is anything to know it by."""
        return not (isinstance(self.name, UnsetType) and isinstance(self.gtin, UnsetType))


class OffsetReport(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one fitted spindle said of its crank's offset.

    Attributes:
        crank: the shop's own name for the crank; left out where it has none, or where another shop reports.
        gtin: the crank's trade item number, where known.
        rings: how many chainrings it carries.
        taper: standard of the ends it was fitted on.
        offset_mm: that was observed.
        sd_mm: its standard deviation, by :func:`observed`.
        shared: whether it comes from another shop.
    """

    crank: CrankName | UnsetType = UNSET
    gtin: Gtin | UnsetType = UNSET
    rings: Annotated[int, Meta(ge=1, le=3)]
    taper: Taper
    offset_mm: Offset
    sd_mm: OffsetSpread
    shared: bool = False

    @property
    def kind(self) -> Kind:
        """What its crank is compared with."""
        return Kind(self.rings, self.taper)

    @property
    def crank_id(self) -> CrankId:
        """Whose offset it is."""
        return CrankId(self.crank, self.gtin)


def of_others(own: Iterable[OffsetReport], pooled: Iterable[OffsetReport]) -> tuple[OffsetReport, ...]:
    """What other shops gave to a pool that does not say who gave what, so that nobody learns from himself twice.

    Args:
        own: the shop's reports; each takes one like it out of the pool, whether or not it was given.
        pooled: everything in the pool.

    >>> mine = OffsetReport(crank="Blue", gtin="96385074", rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6)
    >>> given = OffsetReport(gtin="96385074", rings=1, taper="jis", offset_mm=-14.0, sd_mm=0.6, shared=True)
    >>> len(of_others([mine], [given, given]))
    1
    """
    left = Counter(_as_pooled(report) for report in own)
    others = []
    for report in pooled:
        like = _as_pooled(report)
        if left[like]:
            left[like] -= 1
        else:
            others.append(msgspec.structs.replace(report, shared=True))
    return tuple(others)


def _as_pooled(report: OffsetReport) -> OffsetReport:
    offset, sd = round(report.offset_mm, _POOLED_DECIMALS), round(report.sd_mm, _POOLED_DECIMALS)
    return msgspec.structs.replace(report, crank=UNSET, offset_mm=offset, sd_mm=sd, shared=True)


def observed(chain_line: Uncertain, spindle_length: float, unit: SeatedUnit, trace: Trace) -> Uncertain:
    """The offset that a measured chain line says; mm.

    Its errors are those of the reading, half the spindle's length tolerance, how far the arm drew on and where the
    unit sits.

    Args:
        chain_line: as measured after fitting, at the middle of the rings.
        spindle_length: of the fitted spindle as it is marked, mm.
        unit: as it was made and seated.
        trace: takes the two steps.

    The published case of a crank at 46 mm on a symmetric spindle of 122 mm (rennrad-news.de, thread 175039):

    >>> from cotterline.bench.quantity import Length
    >>> unit = SeatedUnit(
    ...     taper="jis", taper_from="question", asymmetry_mm=0.0, seat="right", unit_width=Length(68.0), spacer_mm=0.0,
    ...     moved=Length(0.0),
    ... )
    >>> offset = observed(Uncertain.of(46.0, 0.5, "ruler"), 122.0, unit, Trace())
    >>> offset.value, round(offset.sd, 3)
    (-15.0, 0.629)
    """
    errors = Uncertain(
        0.0,
        Errors(
            {
                BOOKED_FITTED_LENGTH: ERRORS.length_tolerance.sd / 2,
                BOOKED_FITTED_SEATING: ERRORS.seating_depth.sd,
                BOOKED_FITTED_SEAT: ERRORS.unit_seat.sd,
            }
        ),
    )
    offset = chain_line - ((spindle_length + unit.asymmetry_mm) / 2 + unit.moved.value) + errors
    trace.note(
        "observed offset of the crank",
        "chain_line - (length + asymmetry) / 2 - seat",
        offset.value,
        "mm",
        _GEOMETRY,
        chain_line=chain_line.value,
        length=spindle_length,
        asymmetry=unit.asymmetry_mm,
        seat=unit.moved.value,
    )
    trace.note(
        "standard deviation of the observed offset",
        "sqrt(reading**2 + (length_tolerance / 2)**2 + seating_depth**2 + unit_seat**2)",
        offset.sd,
        "mm",
        _QUADRATURE,
        reading=chain_line.sd,
        length_tolerance=ERRORS.length_tolerance.sd,
        seating_depth=ERRORS.seating_depth.sd,
        unit_seat=ERRORS.unit_seat.sd,
    )
    return offset


def crank_id(crank: Crank) -> CrankId:
    """By what a crank of a request is known again."""
    return CrankId(crank.name) if isinstance(crank, NamedCrank) else CrankId(crank.model, crank.gtin)


def offset_report(
    crank: Crank, chain_line: Uncertain, spindle_length: float, unit: SeatedUnit, trace: Trace
) -> OffsetReport | None:
    """What a fitted spindle is to be remembered for, or nothing where the crank's rings are not known.

    Args:
        crank: that was fitted, with what the shop knows of it (``with_cranks``).
        chain_line: as for :func:`observed`.
        spindle_length: as for :func:`observed`.
        unit: as for :func:`observed`; the report is of the standard of its ends.
        trace: takes the derivation.
    """
    if isinstance(crank, NamedCrank):
        return None
    offset = observed(chain_line, spindle_length, unit, trace)
    name, gtin = crank_id(crank)
    return OffsetReport(
        crank=name, gtin=gtin, rings=crank.rings, taper=unit.taper, offset_mm=offset.value, sd_mm=offset.sd
    )
