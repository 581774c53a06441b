"""A fit report judged: whether the job passed, and where it missed which spindle or spacer would put it right."""

from collections.abc import Sequence

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitted import Fitted, fitted, unanswerable
from cotterline.bench.fit.fitting import fitting_of
from cotterline.bench.fit.gaps import around, gap_checks
from cotterline.bench.fit.landing import chain_line_check, predicted_fit
from cotterline.bench.fit.next_spindle import next_spindle
from cotterline.bench.fit.report import FitReportRequest, check_report
from cotterline.bench.fit.result import FitResult
from cotterline.bench.fit.run_out import run_out, run_out_check
from cotterline.bench.fit.shifting import shifting_check
from cotterline.bench.fit.spacer import spacer_instead
from cotterline.bench.fit.summary import cautioned, granted_by, misses_its_place, summary
from cotterline.bench.fit.torques import judged_torque, torque_checks
from cotterline.bench.quantity import Length, in_unit, refuse
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.spindle.offset import offset_report
from cotterline.bench.workshop import Workshop


def fit_result(
    request: QuoteRequest,
    workshop: Workshop,
    report: FitReportRequest,
    known_lengths: Sequence[float],
    trace: Trace,
) -> FitResult:
    """Judge a report, in the unit of the quote's settings.

    Args:
        request: of the revision that was fitted.
        workshop: with the settings of that revision.
        report: as it came from the stand.
        known_lengths: of the spindles that were ordered, mm.
        trace: collects the derivation.

    Raises:
        CotterlineError: ``impossible-value`` where a value cannot be right, ``measurement-missing`` where the fitted
            length is not known or the quote asked for no spindle, ``evidence-conflict`` where measurements contradict
            each other.

    The published case of a crank that runs at 46 mm on 122 mm and shall come to 43.5 mm (rennrad-news.de, thread
    175039), in a shop that stocks 117 mm:

    >>> from cotterline.bench.chain.methods import MeasuredChainLine
    >>> from cotterline.bench.quantity import Reading
    >>> from cotterline.bench.shop import ShopSettings, StockedLengths
    >>> from cotterline.bench.spindle.aim import StatedAim
    >>> from cotterline.bench.spindle.crank import ReferencePair
    >>> from cotterline.bench.spindle.question import SpindleQuestion
    >>> at_46 = MeasuredChainLine(chain_line=Reading(value=46))
    >>> asked = SpindleQuestion(
    ...     target=StatedAim(chain_line=Reading(value=43.5)),
    ...     crank=ReferencePair(spindle_length=Reading(value=122), chain_line=at_46),
    ... )
    >>> lengths = StockedLengths(shell_width=68, lengths=(117, 122))
    >>> request = QuoteRequest(evidence=(), spindle=asked, settings=ShopSettings(stocked_lengths=(lengths,)))
    >>> report = FitReportRequest(chain_lines=(at_46,))
    >>> fit_result(request, Workshop(), report, (122,), Trace()).next_spindle.option.spindle_length.value
    117.0
    """
    refuse(list(check_report(report, "")))
    fitting = fitting_of(request, workshop)
    if fitting is None:
        raise unanswerable("the quote asks for no spindle")
    start = len(trace.steps)
    fit = fitted(fitting, report, known_lengths, trace)
    result = _judged(fit, report, known_lengths, trace)
    steps = tuple(trace.steps[start:]) if trace.wanted else msgspec.UNSET
    return in_unit(msgspec.structs.replace(result, derivation=steps), fit.settings.units)


def _judged(fit: Fitted, report: FitReportRequest, known_lengths: Sequence[float], trace: Trace) -> FitResult:
    gaps = around(fit, report.gaps, trace)
    wobble = run_out(report.run_out, fit, trace)
    torques = tuple(judged_torque(item) for item in report.torques)
    landed, chance = chain_line_check(fit, trace)
    checks = (
        landed,
        run_out_check(wobble, fit, trace),
        *gap_checks(fit, gaps, trace),
        *torque_checks(torques),
        shifting_check(report.shifting),
    )
    movable = misses_its_place(checks)
    result = FitResult(
        outcome="missed" if any(check.state == "fail" for check in checks) else "passed",
        summary="",
        spindle_length=Length.mm(fit.length),
        chain_line=fit.chain_line.length,
        target=fit.goal.length,
        residual=fit.residual.length,
        tolerance=Length.mm(fit.settings.chain_line_tolerance_mm),
        probability_within=chance,
        checks=checks,
        torques=torques,
        run_out=wobble,
        predicted=predicted_fit(fit, trace),
        unit=fit.before.unit,
        crank_taper=fit.before.known.crank_taper,
        rings=fit.rings,
        offset=offset_report(fit.question.crank, fit.chain_line, fit.length, fit.before.unit, trace) or msgspec.UNSET,
        next_spindle=next_spindle(fit, gaps, known_lengths, trace) if movable else msgspec.UNSET,
        spacer=spacer_instead(fit, gaps, trace) if movable else msgspec.UNSET,
        cautions=(),
        assumptions=granted_by(fit, report),
    )
    said = tuple(cautioned(result, fit, known_lengths))
    return msgspec.structs.replace(result, summary=summary(result, fit), cautions=said)
