"""What the spindle of a kept quote is to fit: its question, its shell and the settings it was answered by."""

from dataclasses import dataclass

from msgspec import UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, settings_for, shell_of
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import with_cranks
from cotterline.bench.spindle.offset import OffsetReport
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion
from cotterline.bench.thread_verdicts import verdict
from cotterline.bench.workshop import Workshop


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """What a spindle is to fit.

    Attributes:
        question: where the rings shall stand, and on which crank.
        shell: as it was decided.
        settings: that the quote was made by.
        offsets: of cranks that were fitted and measured, as far as the workshop knows.
    """

    question: SpindleQuestion
    shell: ShellForSpindle
    settings: ShopSettings
    offsets: tuple[OffsetReport, ...] = ()


def fitting_of(request: QuoteRequest, workshop: Workshop) -> Fitting | None:
    """What the spindle of a kept request is to fit; nothing where none was asked for.

    Args:
        request: of the revision that was ordered.
        workshop: with the settings of that revision.
    """
    if isinstance(request.spindle, UnsetType):
        return None
    settings = settings_for(request, workshop)
    judged = verdict(request.evidence, settings, Trace(wanted=False))
    question = with_cranks(request.spindle, workshop.profile)
    return Fitting(question=question, shell=shell_of(judged), settings=settings, offsets=workshop.offsets)
