"""Another spindle for one that missed: the line to order, with ranges told from the chain line that was measured."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.fit.fitted import among, fitted, unanswerable
from cotterline.bench.fit.fitting import fitting_of
from cotterline.bench.fit.gaps import around
from cotterline.bench.fit.next_spindle import ranked
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitResult
from cotterline.bench.orders import OrderRequest, Reason, Sourcing
from cotterline.bench.parts_list import PartsLine, unit_line, unit_thread
from cotterline.bench.quantity import refuse
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.spindle.crank import SPINDLE_SPAN
from cotterline.bench.workshop import Workshop

_READINGS = 2
"""How often a hard-to-believe chain line is read: a slip seldom comes twice alike (common practice, no source)."""


class ExchangeRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How another spindle is to be had for one that missed.

    Attributes:
        spindle_length_mm: which length, among those the report found worth a try; the best unless given.
        from_stock: whether the shop has it at hand, so that nothing is ordered.
        sourcing: whether the cheapest offer is taken, or the one that is here soonest.
        needed_by: the last day on which it is of use.
        override: why it is ordered although the quote's result does not allow an order, in a person's own words.
    """

    spindle_length_mm: Annotated[float, Meta(ge=SPINDLE_SPAN[0], le=SPINDLE_SPAN[1])] | UnsetType = UNSET
    from_stock: bool = False
    sourcing: Sourcing = "cheapest"
    needed_by: date | UnsetType = UNSET
    override: Reason | UnsetType = UNSET

    @property
    def order(self) -> OrderRequest:
        """The same as an order has it."""
        return OrderRequest(sourcing=self.sourcing, needed_by=self.needed_by, override=self.override)


def check_exchange(asked: ExchangeRequest) -> None:
    """Hold that nothing is said of an order that is not placed.

    Raises:
        CotterlineError: ``impossible-value``, with every fault.
    """
    said = [name for name in ("needed_by", "override") if asked.from_stock and getattr(asked, name)]
    refuse([Fault(f"/{name}", "nothing is ordered where the spindle is taken from stock") for name in said])


def hold_measured(report: FitReportRequest, result: FitResult) -> None:
    """Hold that a chain line too far off what was predicted was read more than once before it costs a spindle.

    Several readings of one report that cannot all be right are refused before it is kept, so those there agree.

    Args:
        report: that missed.
        result: what it was judged to say.

    Raises:
        CotterlineError: ``measurement-missing``.
    """
    if result.predicted.misreading_suspected and len(report.chain_lines) < _READINGS:
        off = result.predicted.standard_deviations
        words = (
            f"The chain line is {off:.1f} standard deviations off the predicted one, and was read once: measure it "
            "again and report both readings. Another spindle is ordered once they agree."
        )
        raise CotterlineError("measurement-missing", words)


def replacement(
    request: QuoteRequest,
    workshop: Workshop,
    report: FitReportRequest,
    known_lengths: Sequence[float],
    length: float,
) -> PartsLine:
    """The unit to order instead of the one that missed; it has no number yet.

    Args:
        request: of the revision that was fitted.
        workshop: with the settings of that revision.
        report: that missed; says which spindle was fitted.
        known_lengths: of the spindles that are at hand, mm.
        length: that is wanted, mm.

    Raises:
        CotterlineError: ``impossible-value`` where the report did not find that length worth a try.
    """
    trace = Trace(wanted=False)
    fitting = fitting_of(request, workshop)
    if fitting is None:
        raise unanswerable("the quote asks for no spindle")
    fit = fitted(fitting, report, known_lengths, trace)
    options = ranked(fit, around(fit, report.gaps, trace), known_lengths, trace)
    found = [option for option in options if among(option.spindle_length.value, [length])]
    if not found:
        worth = ", ".join(f"{option.spindle_length.value:g}" for option in options) or "none"
        refuse([Fault("/spindle_length_mm", f"{length:g} mm is not worth a try; those that are, best first: {worth}")])
    thread, tolerance = unit_thread(FAMILIES[fit.shell.family]), fit.settings.chain_line_tolerance_mm
    line = unit_line(thread, fit.before.unit, found[0], tolerance, trace, alone=True)
    # What was fitted once already missed, so this one may come back as well.
    return msgspec.structs.replace(line, returnable=True)
