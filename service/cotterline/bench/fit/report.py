"""What a mechanic measures once the crank is on: chain line, run-out, gaps, torques and how it shifts."""

from collections.abc import Iterator, Sequence
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta, UnsetType

from cotterline.bench.chain.chainline import check_front
from cotterline.bench.chain.methods import FrontMeasurement, NominalChainLine
from cotterline.bench.errors import Fault
from cotterline.bench.labour.learning import LabourTime
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.quantity import MM_PER_INCH, Reading, Side, check_span
from cotterline.bench.shop import NO_NUL
from cotterline.bench.spindle.clearance import GAP_SPAN
from cotterline.bench.spindle.crank import SPINDLE_SPAN

NEWTONS_PER_POUND: Final = 4.4482216152605
"""Exact: the pound-force (NIST Special Publication 811, 2008, appendix B.8)."""

NEWTON_METRES_PER_INCH_POUND: Final = NEWTONS_PER_POUND * MM_PER_INCH / 1000
"""One pound-force on an arm of one inch, in N m."""

RUN_OUT_SPAN: Final = (0.0, 15.0)
"""Least and greatest wobble in mm that is taken for real: more strikes the frame. Common practice, no source."""

TORQUE_SPAN: Final = (0.5, 200.0)
"""Least and greatest torque in N m that is taken for real. Common practice, no source."""

TorqueUnit = Literal["N m", "in lb"]
Shifting = Literal["good", "rubs", "poor"]
Visit = Literal["fitting", "recheck"]


class RunOutReading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far the rings wobble with the arm on one of the square's four faces.

    Attributes:
        position: which of the four, counted from wherever the first one was marked.
        wobble: greatest less least distance to something still, over a turn.
    """

    position: Annotated[int, Meta(ge=1, le=4)]
    wobble: Reading


class GapReadings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Gaps as they are on the fitted spindle, each at its narrowest.

    Attributes:
        ring: chainring to chainstay.
        drive_arm: drive-side arm to chainstay.
        non_drive_arm: non-drive arm to chainstay.
    """

    ring: Reading | UnsetType = msgspec.UNSET
    drive_arm: Reading | UnsetType = msgspec.UNSET
    non_drive_arm: Reading | UnsetType = msgspec.UNSET


class TorqueReading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a fastener was drawn to.

    Attributes:
        fastener: which.
        value: in ``unit``.
        unit: ``N m``, or ``in lb``: a pound-force on an arm of one inch.
        side: of the bicycle; left out where both were drawn alike.

    >>> round(TorqueReading(fastener="crank_bolt", value=350, unit="in lb").newton_metres, 1)
    39.5
    """

    fastener: TorqueSubject
    value: Annotated[float, Meta(gt=0, le=2000)]
    unit: TorqueUnit = "N m"
    side: Side | UnsetType = msgspec.UNSET

    @property
    def newton_metres(self) -> float:
        """The torque in N m."""
        return self.value * NEWTON_METRES_PER_INCH_POUND if self.unit == "in lb" else float(self.value)


class FitReportRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One visit to the stand with the crank on.

    Attributes:
        chain_lines: the chain line, measured once or more often, each as front chain lines are; the kind of drivetrain
            alone is no measurement.
        spindle_length_mm: of the spindle that was fitted; needed where more than one was ordered.
        run_out: of the positions of the arm that were tried; each at most once.
        gaps: as they are now.
        torques: of what was drawn tight.
        shifting: how it shifts on the stand; ``rubs`` where anything touches that should not.
        minutes: how long operations took.
        visit: ``fitting``, or the ``recheck`` after the first rides.
        recheck_in_days: when to look again; 0 for never.
        remarks: what else there is to say.
    """

    chain_lines: Annotated[tuple[FrontMeasurement, ...], Meta(min_length=1, max_length=4)]
    spindle_length_mm: Annotated[float, Meta(ge=SPINDLE_SPAN[0], le=SPINDLE_SPAN[1])] | UnsetType = msgspec.UNSET
    run_out: Annotated[tuple[RunOutReading, ...], Meta(max_length=4)] = ()
    gaps: GapReadings = GapReadings()
    torques: Annotated[tuple[TorqueReading, ...], Meta(max_length=20)] = ()
    shifting: Shifting | UnsetType = msgspec.UNSET
    minutes: Annotated[tuple[LabourTime, ...], Meta(max_length=60)] = ()
    visit: Visit = "fitting"
    recheck_in_days: Annotated[int, Meta(ge=0, le=365)] | UnsetType = msgspec.UNSET
    remarks: Annotated[str, Meta(max_length=1000, pattern=NO_NUL)] = ""


def check_report(report: FitReportRequest, pointer: str) -> Iterator[Fault]:
    """Yield everything in the report that cannot be right by itself."""
    yield from _check_chain_lines(report.chain_lines, f"{pointer}/chain_lines")
    for index, item in enumerate(report.run_out):
        yield from check_span(item.wobble, RUN_OUT_SPAN, "wobble", f"{pointer}/run_out/{index}/wobble")
    positions = [item.position for item in report.run_out]
    yield from _check_once(positions, "position", f"{pointer}/run_out", "position")
    for name in report.gaps.__struct_fields__:
        gap = getattr(report.gaps, name)
        if isinstance(gap, Reading):
            yield from check_span(gap, GAP_SPAN, "gap", f"{pointer}/gaps/{name}")
    yield from _check_torques(report.torques, f"{pointer}/torques")


def _check_chain_lines(lines: Sequence[FrontMeasurement], pointer: str) -> Iterator[Fault]:
    for index, line in enumerate(lines):
        if isinstance(line, NominalChainLine):
            yield Fault(f"{pointer}/{index}/method", "what the drivetrain was drawn for is no measurement of this one")
        else:
            yield from check_front(line, f"{pointer}/{index}")


def _check_torques(torques: Sequence[TorqueReading], pointer: str) -> Iterator[Fault]:
    low, high = TORQUE_SPAN
    for index, item in enumerate(torques):
        if not low <= item.newton_metres <= high:
            words = f"{item.value:g} {item.unit} is {item.newton_metres:.4g} N m"
            yield Fault(f"{pointer}/{index}/value", f"torque must be {low:g} to {high:g} N m; {words}")
    drawn = [f"{item.fastener} {item.side or 'both sides'}" for item in torques]
    yield from _check_once(drawn, "fastener", pointer, "fastener")


def _check_once(values: Sequence[object], what: str, pointer: str, field: str) -> Iterator[Fault]:
    for index, value in enumerate(values):
        if value in values[:index]:
            yield Fault(f"{pointer}/{index}/{field}", f"{what} {value} is given more than once")
