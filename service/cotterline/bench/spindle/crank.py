"""The crank that will be fitted, and what is known of where its rings stand on a spindle of known length."""

from collections.abc import Iterator
from typing import Annotated, Final, Literal

import msgspec

from cotterline.bench.chain.chainline import check_front, front
from cotterline.bench.chain.methods import FrontMeasurement
from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.gtin import Gtin, check_gtin
from cotterline.bench.quantity import Reading, Uncertain, check_span
from cotterline.bench.shop import NO_NUL
from cotterline.bench.spindle.aim import BOOKED_TARGET, Aim, OldChainLine, booked_as
from cotterline.bench.spindle.taper import KnownTaper, Taper

SPINDLE_SPAN: Final = (90.0, 180.0)
"""Least and greatest overall spindle length in mm that is taken for real. Common practice, no source."""

COTTER_SPAN: Final = (80.0, 160.0)
"""Least and greatest distance in mm between cotter centres that is taken for real. Common practice, no source."""

BOOKED_CHAIN_LINE: Final = "crank's reference chain line"
BOOKED_LENGTH: Final = "crank's reference spindle length"
BOOKED_COTTERS: Final = "distance between cotter centres"
BOOKED_UNTRIED: Final = "crank not yet tried"
BOOKED_SPACING: Final = "ring spacing"
BOOKED_SEATING_THEN: Final = "seating depth on the reference spindle"

CrankName = Annotated[str, msgspec.Meta(min_length=1, max_length=80, pattern=NO_NUL)]
BaselineSource = Literal["reference spindle", "cotter centres", "fit reports"]
RingPlace = Literal["centre", "inner", "outer"]
Asymmetry = Annotated[
    float, msgspec.Meta(ge=-30, le=30, description="Right end minus left end of the spindle, mm; 0 if symmetric.")
]


class ErrorRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A standard deviation in mm and where it comes from."""

    sd: float
    source: str
    grade: str


class _Errors(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    length_tolerance: ErrorRow
    seating_depth: ErrorRow
    unit_seat: ErrorRow
    untried_crank: ErrorRow


ERRORS: Final = load("spindle_errors", _Errors)


class _Crank(msgspec.Struct, tag_field="known_by", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What holds for any crank; ``known_by`` says what else is known.

    Attributes:
        model: what the shop calls this kind of crank; fit reports of it count together.
        gtin: its trade item number; other shops' reports count under it.
        taper: the standard its square holes were made for.
        rings: how many chainrings it carries.
        ring_spacing: middle to middle of neighbouring rings.
    """

    model: CrankName | msgspec.UnsetType = msgspec.UNSET
    gtin: Gtin | msgspec.UnsetType = msgspec.UNSET
    taper: KnownTaper = "unknown"
    rings: Annotated[int, msgspec.Meta(ge=1, le=3)] = 1
    ring_spacing: Reading | msgspec.UnsetType = msgspec.UNSET


class ReferencePair(_Crank, tag="reference_pair", frozen=True, kw_only=True):
    """A spindle length and the chain line this crank had, or is drawn to have, on it, centred in its shell.

    Attributes:
        spindle_length: of that spindle, end to end.
        chain_line: on that spindle; left out where it is the old chain line that the aim gives.
        ring: which ring ``chain_line`` was taken to; ``centre`` is the only ring, the middle of two or of three.
        asymmetry_mm: right end minus left end of that spindle.
        spindle_taper: standard of that spindle's ends; the crank's own when left out.
    """

    spindle_length: Reading
    chain_line: FrontMeasurement | msgspec.UnsetType = msgspec.UNSET
    ring: RingPlace = "centre"
    asymmetry_mm: Asymmetry = 0.0
    spindle_taper: KnownTaper = "unknown"


class CotterDistance(_Crank, tag="cotter_distance", frozen=True, kw_only=True):
    """A crank never tried: a square spindle as long as the old cotters are apart is a first guess, no more.

    Attributes:
        distance: middle of one cotter to middle of the other, along the old spindle.
        old_chain_line: of the old crank; left out where the aim gives it.
    """

    distance: Reading
    old_chain_line: FrontMeasurement | msgspec.UnsetType = msgspec.UNSET


class UnknownCrank(_Crank, tag="unknown", frozen=True, kw_only=True):
    """Nothing was measured: a length can be told only from fit reports of its ``model`` or ``gtin``."""


class NamedCrank(
    msgspec.Struct, tag_field="known_by", tag="shop_crank", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """One of the shop's own cranks; its measurements stand in the shop's settings.

    Attributes:
        name: as it is called there.
    """

    name: CrankName


Crank = ReferencePair | CotterDistance | UnknownCrank | NamedCrank


class Baseline(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A spindle of this length puts this crank's rings on this chain line; mm. ``taper`` is None if nobody said.

    ``taper`` is the reference spindle's, ``crank_taper`` that of the crank's holes.
    """

    what: BaselineSource
    spindle_length: Uncertain
    chain_line: Uncertain
    asymmetry: float
    taper: Taper | None
    crank_taper: KnownTaper


def check_crank(crank: Crank, pointer: str) -> Iterator[Fault]:
    """Yield what cannot be right about what is known of the crank.

    A name that is still here was not found among the shop's cranks.
    """
    if isinstance(crank, NamedCrank):
        yield Fault(f"{pointer}/name", f"the shop has no crank named {crank.name!r}")
        return
    yield from check_gtin(crank.gtin, f"{pointer}/gtin")
    if isinstance(crank.ring_spacing, Reading):
        yield from check_span(crank.ring_spacing, (2.0, 15.0), "ring spacing", f"{pointer}/ring_spacing")
    match crank:
        case ReferencePair():
            yield from check_span(crank.spindle_length, SPINDLE_SPAN, "spindle length", f"{pointer}/spindle_length")
            yield from _check_line(crank.chain_line, f"{pointer}/chain_line")
            if crank.ring != "centre" and crank.rings == 1:
                yield Fault(f"{pointer}/ring", f"a crank with one ring has no {crank.ring} ring")
        case CotterDistance():
            yield from check_span(crank.distance, COTTER_SPAN, "distance between cotters", f"{pointer}/distance")
            yield from _check_line(crank.old_chain_line, f"{pointer}/old_chain_line")
        case UnknownCrank():
            return


def baseline(crank: Crank, aim: Aim, trace: Trace, pointer: str = "") -> Baseline:
    """What is known of the crank as one spindle length and its chain line.

    Raises:
        CotterlineError: ``measurement-missing``, naming the measurement without which nothing can be said.
    """
    match crank:
        case ReferencePair():
            return _from_pair(crank, aim, trace, pointer)
        case CotterDistance():
            return _from_cotters(crank, aim, trace, pointer)
        case UnknownCrank() | NamedCrank():
            raise _missing(
                pointer,
                "Nothing is known of the crank: measure its chain line on any square spindle, or the distance "
                "between the old cotters' centres. A crank that was fitted before can be named by its model.",
            )


def _from_pair(crank: ReferencePair, aim: Aim, trace: Trace, pointer: str) -> Baseline:
    # A chain line given here is a reading of its own, even where it happens to equal the aim's.
    line = _line(crank.chain_line, aim, trace, f"{pointer}/chain_line", BOOKED_CHAIN_LINE)
    tapers = [taper for taper in (crank.spindle_taper, crank.taper) if taper != "unknown"]
    return Baseline(
        what="reference spindle",
        spindle_length=crank.spindle_length.uncertain(BOOKED_LENGTH),
        chain_line=_to_centre(line, crank, trace, pointer)
        + Uncertain.of(0.0, ERRORS.seating_depth.sd, BOOKED_SEATING_THEN),
        asymmetry=crank.asymmetry_mm,
        taper=tapers[0] if tapers else None,
        crank_taper=crank.taper,
    )


def _from_cotters(crank: CotterDistance, aim: Aim, trace: Trace, pointer: str) -> Baseline:
    name = booked_as(crank.old_chain_line, aim, BOOKED_CHAIN_LINE)
    line = _line(crank.old_chain_line, aim, trace, f"{pointer}/old_chain_line", name)
    guess = Uncertain.of(0.0, ERRORS.untried_crank.sd, BOOKED_UNTRIED)
    return Baseline(
        what="cotter centres",
        spindle_length=crank.distance.uncertain(BOOKED_COTTERS) + guess,
        chain_line=line,
        asymmetry=0.0,
        taper=None if crank.taper == "unknown" else crank.taper,
        crank_taper=crank.taper,
    )


def _line(
    measurement: FrontMeasurement | msgspec.UnsetType, aim: Aim, trace: Trace, pointer: str, name: str
) -> Uncertain:
    if not isinstance(measurement, msgspec.UnsetType):
        return front(measurement, trace, pointer, booked_as=name)
    if isinstance(aim, OldChainLine):
        return front(aim.measurement, trace, pointer, booked_as=BOOKED_TARGET)
    raise _missing(pointer, "the chain line on that spindle: only an aim at the old chain line gives it by itself")


def _to_centre(line: Uncertain, crank: ReferencePair, trace: Trace, pointer: str) -> Uncertain:
    """From the ring that was measured to the middle of the rings."""
    if crank.ring == "centre" or crank.rings == 1:
        return line
    if isinstance(crank.ring_spacing, msgspec.UnsetType):
        raise _missing(f"{pointer}/ring_spacing", f"the {crank.ring} ring says nothing of the others without it")
    sign = 1.0 if crank.ring == "inner" else -1.0
    centre = line + crank.ring_spacing.uncertain(BOOKED_SPACING) * (sign * (crank.rings - 1) / 2)
    trace.note(
        "crank's reference chain line at the middle of the rings",
        "ring_line + sign * (rings - 1) * spacing / 2",
        centre.value,
        "mm",
        "even spacing of the rings",
        ring_line=line.value,
        sign=sign,
        rings=crank.rings,
        spacing=crank.ring_spacing.mm,
    )
    return centre


def _check_line(measurement: FrontMeasurement | msgspec.UnsetType, pointer: str) -> Iterator[Fault]:
    if not isinstance(measurement, msgspec.UnsetType):
        yield from check_front(measurement, pointer)


def _missing(pointer: str, detail: str) -> CotterlineError:
    return CotterlineError(
        "measurement-missing", "A measurement is missing: no length can be told without it.", [Fault(pointer, detail)]
    )
