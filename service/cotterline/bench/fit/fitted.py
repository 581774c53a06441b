"""A crank on its new spindle: what was known before, and where its rings stand now."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from msgspec import UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.fit.chain_line import measured
from cotterline.bench.fit.fitting import Fitting
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.quantity import Length, Uncertain
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import target
from cotterline.bench.spindle.crank import NamedCrank
from cotterline.bench.spindle.known_crank import known_crank
from cotterline.bench.spindle.placing import Placing, placing
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion

SAME_LENGTH_MM: Final = 0.05
"""Two spindle lengths that differ by less are one length, rounded."""

SLACK_MM: Final = 1e-6
"""What exceeds a limit by less does not exceed it: readings in inches are rounded in their last digit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What every judgement of one report starts from; mm.

    Attributes:
        length: of the fitted spindle.
        chain_line: as measured on it.
        goal: the chain line to reach.
        rings: how many the crank carries.
        before: where what was known of the crank puts it on any spindle.
        gaps_read_at: the chain line at which gaps of the quote were read that name none.
        question: what the spindle was to fit.
        shell: it sits in.
        settings: it is judged by.
    """

    length: float
    chain_line: Uncertain
    goal: Uncertain
    rings: int
    before: Placing
    gaps_read_at: Uncertain
    question: SpindleQuestion
    shell: ShellForSpindle
    settings: ShopSettings

    @property
    def residual(self) -> Uncertain:
        """Measured less target."""
        return self.chain_line - self.goal

    @property
    def side(self) -> float:
        """Which way a spacer under the flange moves the unit: 1 to the drive side, -1 away from it."""
        return 1.0 if self.before.unit.seat == "right" else -1.0

    def say(self, mm: float) -> str:
        """A length in words, in the unit of the settings."""
        length = Length.mm(mm).to(self.settings.units)
        return f"{length.value:g} {length.unit}"

    def say_signed(self, mm: float) -> str:
        """The same with its sign, for what is added or missed by."""
        return f"{'+' if mm >= 0 else ''}{self.say(mm)}"


def fitted(fitting: Fitting, report: FitReportRequest, known_lengths: Sequence[float], trace: Trace) -> Fitted:
    """Put together what is known of the crank as it was predicted and as it stands.

    Raises:
        CotterlineError: ``measurement-missing`` where the fitted length or the crank is not known,
            ``evidence-conflict`` where the chain lines contradict each other.
    """
    length = length_of(report, known_lengths)
    question, settings = fitting.question, fitting.settings
    try:
        known = known_crank(question, fitting.offsets, settings, trace)
    except CotterlineError as error:
        raise unanswerable(" ".join(fault.detail for fault in error.faults)) from error
    return Fitted(
        length=length,
        chain_line=measured(report.chain_lines, trace, "/chain_lines"),
        goal=target(question.target, trace),
        # A crank that is still a name has no baseline: it was refused above.
        rings=1 if isinstance(question.crank, NamedCrank) else question.crank.rings,
        before=placing(known.baseline, question.unit, fitting.shell.width, settings, trace),
        gaps_read_at=known.gaps_read_at,
        question=question,
        shell=fitting.shell,
        settings=settings,
    )


def among(length: float, lengths: Sequence[float]) -> bool:
    """Whether ``length`` is one of ``lengths``, mm."""
    return any(abs(length - each) < SAME_LENGTH_MM for each in lengths)


def unanswerable(why: str) -> CotterlineError:
    """The refusal of a report on a quote that does not say what was to be fitted; the report itself is not at fault."""
    detail = "The quote does not say where the rings shall stand, and on which crank: revise it first."
    return CotterlineError("measurement-missing", detail, [Fault("", why)])


def length_of(report: FitReportRequest, known: Sequence[float]) -> float:
    """The length of the spindle that was fitted, mm: as reported, or else the only one that is known.

    Raises:
        CotterlineError: ``measurement-missing``.
    """
    if not isinstance(report.spindle_length_mm, UnsetType):
        return report.spindle_length_mm
    lengths = sorted(set(known))
    if len(lengths) == 1:
        return lengths[0]
    ordered = " and ".join(f"{length:g} mm" for length in lengths) or "none"
    raise CotterlineError(
        "measurement-missing",
        "A fit report needs the length of the spindle that was fitted.",
        [Fault("/spindle_length_mm", f"which spindle was fitted is not said; ordered were: {ordered}")],
    )
