"""Where the rings came to stand, against where they were to stand and where they were expected."""

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitted import SLACK_MM, Fitted
from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.fit.result import FitCheck, PredictedFit
from cotterline.bench.quantity import Length
from cotterline.bench.spindle.placing import note_chain_line
from cotterline.bench.spindle_options import chance_within


def chain_line_check(fit: Fitted, trace: Trace) -> tuple[FitCheck, float]:
    """Whether the chain line lies within the tolerance, and the probability that it truly does."""
    residual, tolerance = fit.residual, fit.settings.chain_line_tolerance_mm
    trace.note(
        "residual of the fitted chain line",
        "chain_line - target",
        residual.value,
        "mm",
        "difference of readings",
        chain_line=fit.chain_line.value,
        target=fit.goal.value,
    )
    chance = chance_within("the fitted chain line", residual, tolerance, trace)
    check = FitCheck(
        question="chain_line",
        state="pass" if abs(residual.value) <= tolerance + SLACK_MM else "fail",
        words=f"The chain line is {fit.say(fit.chain_line.value)}, {fit.say_signed(residual.value)} from the target; "
        f"{fit.say(tolerance)} is allowed.",
        measured=fit.chain_line.length,
        least=Length.mm(fit.goal.value - tolerance),
        greatest=Length.mm(fit.goal.value + tolerance),
        probability=chance,
    )
    return check, chance


def predicted_fit(fit: Fitted, trace: Trace) -> PredictedFit:
    """What was expected of the fitted length, and whether the measurement is too far off it to be believed at once."""
    expected = note_chain_line(fit.before, fit.length, trace)
    off = fit.chain_line - expected
    count = trace.note(
        "standard deviations between the measured and the predicted chain line",
        "abs(measured - predicted) / sd",
        abs(off.value) / off.sd,
        "1",
        "normal distribution of the error, JCGM 100:2008, annex G",
        measured=fit.chain_line.value,
        predicted=expected.value,
        sd=off.sd,
    )
    return PredictedFit(
        chain_line=expected.length,
        deviation=off.length,
        standard_deviations=round(count, 3),
        misreading_suspected=count > PRACTICE.misreading.standard_deviations,
    )
