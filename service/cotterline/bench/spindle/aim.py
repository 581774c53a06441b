"""The chain line a new spindle is to reach, and where it comes from."""

from collections.abc import Iterator
from typing import Final

import msgspec

from cotterline.bench.chain.chainline import check_front, check_rear, front, rear
from cotterline.bench.chain.methods import (
    CHAIN_LINE_SPAN,
    FrontMeasurement,
    MeasuredChainLine,
    NominalChainLine,
    NominalKind,
    RearMeasurement,
)
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.quantity import Reading, Uncertain, check_span

BOOKED_TARGET: Final = "target chain line"


class _Aim(msgspec.Struct, tag_field="aim", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One way to say where the rings shall stand; ``aim`` says which."""


class OldChainLine(_Aim, tag="old", frozen=True, kw_only=True):
    """Where the old rings stood, as measured before the old crank came off."""

    measurement: FrontMeasurement


class MatchRear(_Aim, tag="rear", frozen=True, kw_only=True):
    """Where the rear chain line stands."""

    measurement: RearMeasurement


class NominalAim(_Aim, tag="nominal", frozen=True, kw_only=True):
    """What a kind of drivetrain was drawn for."""

    kind: NominalKind


class StatedAim(_Aim, tag="stated", frozen=True, kw_only=True):
    """A chain line somebody asks for, with the plus-minus it is known to."""

    chain_line: Reading


Aim = OldChainLine | MatchRear | NominalAim | StatedAim


def check_aim(aim: Aim, pointer: str) -> Iterator[Fault]:
    """Yield what cannot be right about the aim."""
    match aim:
        case OldChainLine():
            yield from check_front(aim.measurement, f"{pointer}/measurement")
        case MatchRear():
            yield from check_rear(aim.measurement, f"{pointer}/measurement")
        case StatedAim():
            yield from check_span(aim.chain_line, CHAIN_LINE_SPAN, "chain line", f"{pointer}/chain_line")
        case NominalAim():
            return


def target(aim: Aim, trace: Trace, pointer: str = "") -> Uncertain:
    """The chain line to reach, mm from the frame's mid-plane.

    Raises:
        CotterlineError: ``impossible-value`` where a reading cannot be right.

    >>> target(NominalAim(kind="track"), Trace()).length
    Length(value=42.0, unit='mm', plus_minus=1.0)
    """
    match aim:
        case OldChainLine():
            return front(aim.measurement, trace, f"{pointer}/measurement", booked_as=BOOKED_TARGET)
        case MatchRear():
            return rear(aim.measurement, trace, f"{pointer}/measurement", booked_as=BOOKED_TARGET)
        case NominalAim():
            return front(NominalChainLine(kind=aim.kind), trace, pointer, booked_as=BOOKED_TARGET)
        case StatedAim():
            return front(MeasuredChainLine(chain_line=aim.chain_line), trace, pointer, booked_as=BOOKED_TARGET)


def booked_as(measurement: FrontMeasurement | msgspec.UnsetType, aim: Aim, own: str) -> str:
    """The name to book a measurement's errors under: the target's, where they are the same readings of the old crank.

    Readings used for both then cancel where the two are compared.
    """
    same = isinstance(aim, OldChainLine) and aim.measurement == measurement
    return BOOKED_TARGET if same else own
