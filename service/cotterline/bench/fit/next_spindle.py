"""Which spindle next: told from the chain line as it was measured, no longer from the guess before it.

The fitted spindle and its measured chain line become the crank's reference. A reference is centred in its shell, so
that what seats the unit off the middle is taken out of it. What nobody knows of that seat is in the measurement too:
the next unit sits in the same shell, so it cancels.
"""

from collections.abc import Sequence

import msgspec
from msgspec import UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.fit.fitted import SLACK_MM, Fitted, among
from cotterline.bench.fit.gaps import Around, centred
from cotterline.bench.fit.result import NextSpindle
from cotterline.bench.quantity import Errors, Uncertain
from cotterline.bench.spindle.crank import ERRORS, Baseline
from cotterline.bench.spindle.ladder import ladder
from cotterline.bench.spindle.offset import BOOKED_FITTED_LENGTH, BOOKED_FITTED_SEATING
from cotterline.bench.spindle.placing import BOOKED_SEAT, placing
from cotterline.bench.spindle_options import Bench, SpindleOption, option_at, preference


def next_spindle(fit: Fitted, gaps: Around, known_lengths: Sequence[float], trace: Trace) -> NextSpindle | UnsetType:
    """The best other length, stocked or ordered, that clears and comes nearer than the fitted one; lengths in mm.

    A length that comes no nearer is worth its order only where it lands within the tolerance and the fitted one
    touches something.
    """
    better = ranked(fit, gaps, known_lengths, trace)
    if not better:
        return msgspec.UNSET
    return NextSpindle(option=better[0], at_hand=among(better[0].spindle_length.value, known_lengths))


def ranked(fit: Fitted, gaps: Around, known_lengths: Sequence[float], trace: Trace) -> list[SpindleOption]:
    """Every other length that is worth a try, the best first; lengths in mm."""
    place = placing(_reference(fit, trace), fit.question.unit, fit.shell.width, fit.settings, trace)
    bench = Bench(
        goal=fit.goal,
        known=place.known,
        placing=place,
        limits=centred(gaps.known, fit),
        tolerance=fit.settings.chain_line_tolerance_mm,
    )
    stocked = ladder(fit.shell.family, place.unit.unit_width.value, fit.settings).lengths
    lengths = sorted({*stocked, *known_lengths})
    others = [option_at(length, bench, trace) for length in lengths if not among(length, [fit.length])]
    return sorted((option for option in others if _worth_it(option, fit)), key=preference)


def _reference(fit: Fitted, trace: Trace) -> Baseline:
    """This crank as it would stand on the fitted spindle in the middle of the shell."""
    unit, seat = fit.before.unit, fit.before.seat
    centre = trace.note(
        "crank's reference from the fitted spindle",
        "chain_line - seat",
        fit.chain_line.value - seat,
        "mm",
        "the unit's middle follows the face it is drawn against: plane geometry, no source needed",
        chain_line=fit.chain_line.value,
        seat=seat,
    )
    errors = {BOOKED_FITTED_SEATING: ERRORS.seating_depth.sd, BOOKED_SEAT: -ERRORS.unit_seat.sd}
    return Baseline(
        what="reference spindle",
        spindle_length=Uncertain.of(fit.length, ERRORS.length_tolerance.sd, BOOKED_FITTED_LENGTH),
        chain_line=Uncertain(centre, Errors({**fit.chain_line.parts, **errors})),
        asymmetry=unit.asymmetry_mm,
        taper=unit.taper,
        crank_taper=fit.before.known.crank_taper,
    )


def _worth_it(option: SpindleOption, fit: Fitted) -> bool:
    residual, tolerance = abs(option.residual.value), fit.settings.chain_line_tolerance_mm
    lands, nearer = residual <= tolerance + SLACK_MM, residual < abs(fit.residual.value) - SLACK_MM
    return not option.fouls and (lands or nearer)
