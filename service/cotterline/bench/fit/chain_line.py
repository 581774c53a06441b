"""The chain line as measured, once or more often, after fitting.

Several measurements are taken together by their weighted mean, and held against each other by the chi-square test of
the same procedure (M. G. Cox, The evaluation of key comparison data, Metrologia 39, 2002, procedure A). The errors are
independent from one measurement to the next: each has its own readings.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Final

from cotterline.bench.chain.chainline import front
from cotterline.bench.chain.methods import FrontMeasurement
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.quantity import COVERAGE, Errors, Uncertain

BOOKED_FITTED: Final = "fitted chain line"

LEAST_SD: Final = 0.0005
"""Lengths are stated to 0.001 mm: no reading is taken for better than that, whatever it claims. Standard deviation."""

_COX: Final = "weighted mean: M. G. Cox, Metrologia 39, 2002, procedure A"
_CHI_SQUARE: Final = "chi-square distribution, exact for whole degrees of freedom"
_TAILS: Final[Mapping[int, str]] = {
    1: "2 * phi(-sqrt(chi_square))",
    2: "exp(-chi_square / 2)",
    3: "2 * phi(-sqrt(chi_square)) + sqrt(2 * chi_square / pi) * exp(-chi_square / 2)",
}


def measured(lines: Sequence[FrontMeasurement], trace: Trace, pointer: str = "") -> Uncertain:
    """The chain line that ``lines`` give together, mm.

    Raises:
        CotterlineError: ``evidence-conflict``, with each measurement and its value, where they contradict each other.

    >>> from cotterline.bench.chain.methods import MeasuredChainLine
    >>> from cotterline.bench.quantity import Reading
    >>> ruler = MeasuredChainLine(chain_line=Reading(value=43, plus_minus=1))
    >>> better = MeasuredChainLine(chain_line=Reading(value=43.5, plus_minus=0.5))
    >>> measured([ruler, better], Trace()).length
    Length(value=43.4, unit='mm', plus_minus=0.447)
    """
    each = [_one(line, at, trace, f"{pointer}/{at}") for at, line in enumerate(lines)]
    if len(each) == 1:
        return each[0]
    mean = _mean(each, trace)
    if _tail(each, mean, trace) < PRACTICE.contradiction.level:
        raise _conflict(each, pointer)
    return mean


def chance_beyond(chi_square: float, freedom: int) -> float:
    """Probability that a chi-square variable of 1 to 3 degrees of freedom exceeds ``chi_square``.

    >>> round(chance_beyond(3.841459, 1), 6), round(chance_beyond(7.814728, 3), 6)
    (0.05, 0.05)
    """
    beyond = math.erfc(math.sqrt(chi_square / 2))
    match freedom:
        case 1:
            return beyond
        case 2:
            return math.exp(-chi_square / 2)
        case 3:
            return beyond + math.sqrt(2 * chi_square / math.pi) * math.exp(-chi_square / 2)
    raise ValueError(f"{freedom} degrees of freedom")


def _one(line: FrontMeasurement, at: int, trace: Trace, pointer: str) -> Uncertain:
    name = f"{BOOKED_FITTED} {at + 1}"
    read = front(line, trace, pointer, booked_as=name)
    return read if read.sd >= LEAST_SD else Uncertain.of(read.value, LEAST_SD, name)


def _mean(each: Sequence[Uncertain], trace: Trace) -> Uncertain:
    total = math.fsum(1 / line.sd**2 for line in each)
    # The exact sum does not depend on the order of the measurements.
    value = math.fsum(line.value / line.sd**2 for line in each) / total
    parts = {source: part / line.sd**2 / total for line in each for source, part in line.parts.items()}
    above = " + ".join(f"x{at} / u{at}**2" for at in range(1, len(each) + 1))
    below = " + ".join(f"1 / u{at}**2" for at in range(1, len(each) + 1))
    values, spreads = _named("x", [line.value for line in each]), _named("u", [line.sd for line in each])
    trace.note(BOOKED_FITTED, f"({above}) / ({below})", value, "mm", _COX, **values, **spreads)
    mean = Uncertain(value, Errors(parts))
    trace.note(f"{BOOKED_FITTED}: plus-minus", f"2 / sqrt({below})", COVERAGE * mean.sd, "mm", _COX, **spreads)
    return mean


def _tail(each: Sequence[Uncertain], mean: Uncertain, trace: Trace) -> float:
    """How often chance alone would set such measurements as far apart."""
    numbers = range(1, len(each) + 1)
    chi_square = math.fsum(((line.value - mean.value) / line.sd) ** 2 for line in each)
    values, spreads = _named("x", [line.value for line in each]), _named("u", [line.sd for line in each])
    formula = " + ".join(f"((x{at} - mean) / u{at})**2" for at in numbers)
    trace.note(f"{BOOKED_FITTED}: chi-square", formula, chi_square, "1", _COX, mean=mean.value, **values, **spreads)
    freedom = len(each) - 1
    tail = chance_beyond(chi_square, freedom)
    known = {"chi_square": chi_square} | ({"pi": math.pi} if freedom == 3 else {})  # noqa: PLR2004 - as in _TAILS
    trace.note(f"{BOOKED_FITTED}: chance of such a spread", _TAILS[freedom], tail, "1", _CHI_SQUARE, **known)
    return tail


def _named(letter: str, values: Sequence[float]) -> dict[str, float]:
    return {f"{letter}{at}": value for at, value in enumerate(values, 1)}


def _conflict(each: Sequence[Uncertain], pointer: str) -> CotterlineError:
    return CotterlineError(
        "evidence-conflict",
        "The chain lines contradict each other: measure again, and leave out what was misread.",
        [
            Fault(f"{pointer}/{at}", f"gives {line.value:.6g} mm, plus-minus {COVERAGE * line.sd:.3g} mm")
            for at, line in enumerate(each)
        ],
    )
