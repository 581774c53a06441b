"""Where a spindle puts an arm: from the crank's reference to any other length, seat and taper."""

from functools import cached_property
from typing import Final, Literal

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Errors, Length, Uncertain
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.clearance import Position
from cotterline.bench.spindle.crank import ERRORS, Baseline
from cotterline.bench.spindle.question import WantedUnit
from cotterline.bench.spindle.taper import Taper, TaperShift, both_conventions, moved_by_taper, unstated_taper

TaperSource = Literal["question", "crank", "reference", "assumed"]

BOOKED_TOLERANCE: Final = "spindle length tolerance"
BOOKED_SEATING: Final = "seating depth on the new spindle"
BOOKED_SEAT: Final = "seat of the unit in the shell"

_GEOMETRY: Final = "an arm moves by half the change in length of a symmetric spindle: plane geometry, no source needed"
_SEAT: Final = "the unit's middle follows the face it is drawn against: plane geometry, no source needed"


class SeatedUnit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The unit as it was taken to be made and to sit.

    Attributes:
        taper: standard of its ends.
        taper_from: what says so: the ``question``, the ``crank``, its ``reference`` spindle, or nothing: ``assumed``.
        asymmetry_mm: right end minus left end.
        seat: side whose face its flange is drawn against.
        unit_width: shell width it is made for.
        spacer_mm: under its flange.
        moved: how far the seat, a spacer and facing move its middle to the drive side.
    """

    taper: Taper
    taper_from: TaperSource
    asymmetry_mm: float
    seat: Literal["right", "left"]
    unit_width: Length
    spacer_mm: float
    moved: Length


class Placing(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """A crank's reference and everything but the length that moves the arms from it; mm."""

    known: Baseline
    unit: SeatedUnit
    seat: float
    taper: Uncertain
    taper_shift: TaperShift | msgspec.UnsetType

    @property
    def asymmetry_change(self) -> float:
        """Asymmetry of the unit less that of the reference spindle."""
        return self.unit.asymmetry_mm - self.known.asymmetry

    def chain_line(self, length: float) -> Uncertain:
        """Predicted chain line on a spindle of ``length`` mm."""
        return self._start + length / 2

    def position(self, length: float) -> Position:
        """Chain line, and how far outwards the left arm moves from the reference."""
        left = (length - self.known.spindle_length.value) / 2 - self.asymmetry_change / 2 - self.seat
        return Position(
            chain_line=self.chain_line(length),
            non_drive_move=Uncertain(left + self.taper.value, self._left_errors),
        )

    def exact(self, goal: Uncertain) -> Uncertain:
        """The length that puts the rings on ``goal``: the inverse of ``chain_line``."""
        return (goal - self._start) * 2

    @cached_property
    def _left_errors(self) -> Errors:
        return (self.taper - self.known.spindle_length / 2 + _new_spindle(drive_side=False)).parts

    @cached_property
    def _start(self) -> Uncertain:
        moved = self.taper + _new_spindle(drive_side=True) + (self.seat + self.asymmetry_change / 2)
        return self.known.chain_line - self.known.spindle_length / 2 + moved


def placing(known: Baseline, wanted: WantedUnit, shell_width: float, settings: ShopSettings, trace: Trace) -> Placing:
    """Settle how the unit is made and sits, and what that moves."""
    taper, said_by = wanted_taper(known, wanted)
    moved = taper_move(known, taper, settings, trace)
    seat = _seat(wanted, shell_width, trace)
    width = shell_width if isinstance(wanted.unit_width_mm, msgspec.UnsetType) else wanted.unit_width_mm
    unit = SeatedUnit(
        taper=taper,
        taper_from=said_by,
        asymmetry_mm=wanted.asymmetry_mm,
        seat=wanted.seat,
        unit_width=Length.mm(width),
        spacer_mm=wanted.spacer_mm,
        moved=Length.mm(seat),
    )
    shift = both_conventions(moved, settings.taper_convention) if moved.value else msgspec.UNSET
    return Placing(known=known, unit=unit, seat=seat, taper=moved, taper_shift=shift)


def note_chain_line(place: Placing, length: float, trace: Trace) -> Uncertain:
    """Predict the chain line of one length and record how."""
    line = place.chain_line(length)
    if trace.wanted:
        trace.note(
            f"chain line of {length:g} mm",
            "reference + (length - reference_length) / 2 + asymmetry_change / 2 + seat + taper",
            line.value,
            "mm",
            _GEOMETRY,
            reference=place.known.chain_line.value,
            length=length,
            reference_length=place.known.spindle_length.value,
            asymmetry_change=place.asymmetry_change,
            seat=place.seat,
            taper=place.taper.value,
        )
    return line


def note_exact(place: Placing, goal: Uncertain, trace: Trace) -> Uncertain:
    """The length that hits ``goal``, and record how."""
    exact = place.exact(goal)
    trace.note(
        "exact spindle length",
        "reference_length + 2 * (target - reference) - asymmetry_change - 2 * (seat + taper)",
        exact.value,
        "mm",
        _GEOMETRY,
        reference_length=place.known.spindle_length.value,
        target=goal.value,
        reference=place.known.chain_line.value,
        asymmetry_change=place.asymmetry_change,
        seat=place.seat,
        taper=place.taper.value,
    )
    return exact


def wanted_taper(known: Baseline, wanted: WantedUnit) -> tuple[Taper, TaperSource]:
    """The standard of the ends to be ordered, and what says so."""
    if not isinstance(wanted.taper, msgspec.UnsetType):
        return wanted.taper, "question"
    if known.crank_taper != "unknown":
        return known.crank_taper, "crank"
    return ("jis", "assumed") if known.taper is None else (known.taper, "reference")


def taper_move(known: Baseline, taper: Taper, settings: ShopSettings, trace: Trace) -> Uncertain:
    """How far out the arms move from the crank's reference to ends of ``taper``, mm a side."""
    if known.taper is not None:
        return moved_by_taper(known.taper, taper, settings.taper_convention, trace)
    # A guess from the cotters is no square spindle of either standard: its own wide spread covers the taper.
    if known.what == "cotter centres":
        return Uncertain(0.0)
    return unstated_taper(settings.taper_convention, trace)


def _seat(wanted: WantedUnit, shell_width: float, trace: Trace) -> float:
    width = shell_width if isinstance(wanted.unit_width_mm, msgspec.UnsetType) else wanted.unit_width_mm
    side = 1.0 if wanted.seat == "right" else -1.0
    return trace.note(
        "move of the unit to the drive side",
        "side * ((shell_width - unit_width) / 2 + spacer - facing)",
        side * ((shell_width - width) / 2 + wanted.spacer_mm - wanted.facing_mm),
        "mm",
        _SEAT,
        side=side,
        shell_width=shell_width,
        unit_width=width,
        spacer=wanted.spacer_mm,
        facing=wanted.facing_mm,
    )


def _new_spindle(*, drive_side: bool) -> Uncertain:
    """Errors of the unit to come. A unit that sits too far right moves the right arm out and the left arm in."""
    return Uncertain(
        0.0,
        Errors(
            {
                BOOKED_TOLERANCE: ERRORS.length_tolerance.sd / 2,
                BOOKED_SEATING: ERRORS.seating_depth.sd,
                BOOKED_SEAT: ERRORS.unit_seat.sd if drive_side else -ERRORS.unit_seat.sd,
            }
        ),
    )
