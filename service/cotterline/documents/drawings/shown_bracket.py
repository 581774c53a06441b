"""What a section of the bottom bracket shows: every dimension in mm, and which of them nobody measured."""

from typing import Final, NamedTuple

from msgspec import UnsetType

from cotterline.bench.chain.drivetrain import Drivetrain, DrivetrainResult
from cotterline.bench.chain.methods import FrontMeasurement, TubeToMiddle, TubeToOuterFace, TubeToRingFace
from cotterline.bench.quantity import Length, Reading
from cotterline.bench.quotes import QuoteRequest, QuoteResult
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.spindle.aim import OldChainLine
from cotterline.bench.spindle.crank import CotterDistance, Crank, NamedCrank, ReferencePair
from cotterline.bench.spindle.question import SpindleQuestion
from cotterline.bench.spindle.taper import end_width, flat_slope
from cotterline.bench.spindle_options import SpindleResult

WALL: Final = 2.5
SHAFT: Final = 17.0
"""For the shape of what was not measured, mm: the shell's wall, and the shaft between the spindle's ends."""


class ShownBracket(NamedTuple):
    """The parts of a bottom bracket; mm, outward on the drive side.

    Attributes:
        width: of the shell, nominal.
        measured: whether the shell's width was.
        faces: of the shell; nearer than nominal where one is faced.
        bores: its nominal diameter at the thread, on the non-drive and on the drive side.
        outside: its diameter outside; None where it was not measured.
        tube: diameter of the seat tube, likewise.
        unit: width of shell the unit is made for, and how far its middle is moved to the drive side.
        spacer: under its flange.
        facing: taken off the shell on that side.
        seated_right: which side that is.
        ends: of the spindle, left and right.
        asymmetry: right end less left end.
        end_width: across the flats at the ends.
        slope: of the flats.
        rings: where each ring stands, outermost first; none where that is not known.
        thickness: of a ring; None where it was not measured.
    """

    width: float
    measured: bool
    faces: tuple[float, float]
    bores: tuple[float, float]
    outside: float | None
    tube: float | None
    unit: tuple[float, float]
    spacer: float
    facing: float
    seated_right: bool
    ends: tuple[float, float]
    asymmetry: float
    end_width: float
    slope: float
    rings: tuple[float, ...]
    thickness: float | None


def shown_bracket(
    request: QuoteRequest, result: QuoteResult, question: SpindleQuestion, spindle: SpindleResult
) -> ShownBracket:
    """The bracket with the spindle of first choice."""
    unit, facing, leading = spindle.unit, question.unit.facing_mm, result.verdict.leading
    half, moved = in_mm(result.verdict.shell_width.nominal) / 2, in_mm(unit.moved)
    length, right = in_mm(spindle.first.spindle_length), unit.seat == "right"
    return ShownBracket(
        width=2 * half,
        measured=result.verdict.shell_width.measured,
        faces=(-half + (0.0 if right else facing), half - (facing if right else 0.0)),
        bores=(FAMILIES[leading.non_drive].diameter, FAMILIES[leading.drive].diameter),
        outside=_measured(request.shell_condition.outside_diameter),
        tube=_tube(question),
        unit=(in_mm(unit.unit_width), moved),
        spacer=unit.spacer_mm,
        facing=facing,
        seated_right=right,
        ends=(moved - (length - unit.asymmetry_mm) / 2, moved + (length + unit.asymmetry_mm) / 2),
        asymmetry=unit.asymmetry_mm,
        end_width=end_width(unit.taper),
        slope=flat_slope(),
        rings=_rings(question.crank, result.drivetrain, in_mm(spindle.first.chain_line)),
        thickness=_thickness(request.drivetrain),
    )


def in_mm(length: Length) -> float:
    """A length in millimetres, whatever it is told in."""
    return length.to("mm").value


def _measured(reading: Reading | UnsetType) -> float | None:
    return reading.mm if isinstance(reading, Reading) else None


def _tube(question: SpindleQuestion) -> float | None:
    """Of the seat tube, where a chain line was measured from its side."""
    target, crank = question.target, question.crank
    measured: list[FrontMeasurement | UnsetType] = []
    measured += [target.measurement] if isinstance(target, OldChainLine) else []
    measured += [crank.chain_line] if isinstance(crank, ReferencePair) else []
    measured += [crank.old_chain_line] if isinstance(crank, CotterDistance) else []
    by_tube = [way for way in measured if isinstance(way, TubeToMiddle | TubeToOuterFace | TubeToRingFace)]
    return by_tube[0].tube_diameter.mm if by_tube else None


def _rings(crank: Crank, drivetrain: DrivetrainResult | UnsetType, chain_line: float) -> tuple[float, ...]:
    if isinstance(drivetrain, DrivetrainResult):
        return tuple(in_mm(place.offset) for place in drivetrain.rings)
    if isinstance(crank, NamedCrank):
        return ()
    if crank.rings == 1:
        return (chain_line,)
    if not isinstance(crank.ring_spacing, Reading):
        return ()
    apart = crank.ring_spacing.mm
    return tuple(chain_line + apart * ((crank.rings + 1) / 2 - number) for number in range(1, crank.rings + 1))


def _thickness(drivetrain: Drivetrain | UnsetType) -> float | None:
    return _measured(drivetrain.rings.thickness) if isinstance(drivetrain, Drivetrain) else None
