"""Lengths and their uncertainty: readings in, millimetres inside, millimetres or inches out.

Uncertainty follows the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008): a stated
plus-minus is an expanded uncertainty with coverage factor 2, and independent parts add in quadrature
(equation 10). Parts that two quantities share, such as one ruler reading used twice, keep their sign and cancel.
"""

import math
from collections.abc import Iterator, Mapping
from functools import cached_property, lru_cache
from typing import Annotated, Any, Literal, Self, TypeVar, get_args, get_type_hints

import msgspec
import numpy as np
from numpy.typing import NDArray

from cotterline.bench.errors import CotterlineError, Fault

MM_PER_INCH = 25.4
"""Exact: the international inch (Refinement of Values for the Yard and the Pound, 1959)."""

COVERAGE = 2.0
"""Coverage factor between a standard deviation and a stated plus-minus (JCGM 100:2008, 6.2.1)."""

Unit = Literal["mm", "in"]
Tool = Literal["ruler", "caliper", "gauge"]
Side = Literal["drive", "non_drive"]
Result = TypeVar("Result")

TOOL_PLUS_MINUS: Mapping[Tool, float] = {"ruler": 1.0, "caliper": 0.1, "gauge": 0.4}
"""Plus-minus in mm of a reading by tool. Common practice, no source; a reading can state its own."""

_DECIMALS: Mapping[Unit, int] = {"mm": 3, "in": 5}


class Reading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A length somebody measured, with the tool or the plus-minus it is good to.

    Attributes:
        value: what was read, in ``unit``.
        unit: ``mm`` or ``in``.
        tool: what it was read with; sets the plus-minus when none is stated. A ruler unless said otherwise.
        plus_minus: expanded uncertainty (coverage factor 2) in ``unit``; overrides the tool's.

    >>> Reading(value=67, unit="mm").sd
    0.5
    >>> round(Reading(value=2.6378, unit="in", tool="caliper").mm, 2)
    67.0
    """

    value: Annotated[float, msgspec.Meta(ge=-1000, le=1000, description="What was read, in unit.")]
    unit: Unit = "mm"
    tool: Tool = "ruler"
    plus_minus: (
        Annotated[
            float,
            msgspec.Meta(gt=0, le=100, description="Expanded uncertainty (factor 2) in unit; overrides the tool's."),
        ]
        | msgspec.UnsetType
    ) = msgspec.UNSET

    @property
    def mm(self) -> float:
        """The reading in millimetres."""
        return to_mm(self.value, self.unit)

    @property
    def sd(self) -> float:
        """Standard deviation of the reading in millimetres."""
        if isinstance(self.plus_minus, msgspec.UnsetType):
            return TOOL_PLUS_MINUS[self.tool] / COVERAGE
        return to_mm(self.plus_minus, self.unit) / COVERAGE

    def uncertain(self, source: str) -> "Uncertain":
        """The reading as an uncertain value whose error is booked under ``source``."""
        return Uncertain.of(self.mm, self.sd, source)


class Length(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A length the service states.

    Attributes:
        value: in ``unit``, rounded to 0.001 mm or 0.00001 in.
        unit: ``mm`` or ``in``.
        plus_minus: expanded uncertainty (coverage factor 2) in ``unit``, where the value has one.
    """

    value: float
    unit: Unit = "mm"
    plus_minus: float | msgspec.UnsetType = msgspec.UNSET

    @classmethod
    def mm(cls, value: float, sd: float | None = None) -> Self:
        """A length of ``value`` mm with standard deviation ``sd`` mm, if it has one."""
        places = _DECIMALS["mm"]
        return cls(
            round(value, places) + 0.0,
            "mm",
            msgspec.UNSET if sd is None else round(COVERAGE * sd, places),
        )

    def to(self, unit: Unit) -> "Length":
        """The same length in ``unit``."""
        if unit == self.unit:
            return self
        factor = 1 / MM_PER_INCH if unit == "in" else MM_PER_INCH
        spread = self.plus_minus
        return Length(
            round(self.value * factor, _DECIMALS[unit]),
            unit,
            spread if isinstance(spread, msgspec.UnsetType) else round(spread * factor, _DECIMALS[unit]),
        )


class Errors(dict[str, float]):
    """The standard deviation each named source of error puts into a value, mm, with sign; not to be written to.

    Values that differ by a constant share theirs, and with them their standard deviation.
    """

    @cached_property
    def sd(self) -> float:
        """Standard deviation of all of them together, mm."""
        return math.sqrt(math.fsum([part * part for part in self.values()]))

    @cached_property
    def plus_minus(self) -> float:
        """Expanded uncertainty (coverage factor 2) in mm, as the service states it."""
        return round(COVERAGE * self.sd, _DECIMALS["mm"])


class Uncertain(msgspec.Struct, frozen=True):
    """A value in mm and the standard deviation each named source of error puts into it, with sign.

    Sums and multiples are linear, so the first-order law of propagation (JCGM 100:2008, 5.2.2 for correlated
    inputs) is exact here.

    >>> ruler = Uncertain.of(43.0, 0.5, "old chain line")
    >>> moved = ruler + Uncertain.of(2.0, 0.1, "spacer")
    >>> round((moved - ruler).sd, 3)
    0.1
    """

    value: float
    parts: Errors = msgspec.field(default_factory=Errors)

    @classmethod
    def of(cls, value: float, sd: float, source: str) -> "Uncertain":
        """A value whose whole error, ``sd``, is booked under ``source``."""
        return cls(value, Errors({source: sd}))

    @property
    def sd(self) -> float:
        """Standard deviation in mm."""
        return self.parts.sd

    def covariance(self, other: "Uncertain") -> float:
        """Of two values' errors, in mm2: the sources they share."""
        return math.fsum(part * other.parts.get(source, 0.0) for source, part in self.parts.items())

    def __add__(self, other: "Uncertain | float") -> "Uncertain":
        if not isinstance(other, Uncertain):
            return Uncertain(self.value + other, self.parts)
        parts = Errors(self.parts)
        for source, part in other.parts.items():
            parts[source] = parts.get(source, 0.0) + part
        return Uncertain(self.value + other.value, parts)

    def __sub__(self, other: "Uncertain | float") -> "Uncertain":
        if not isinstance(other, Uncertain):
            return Uncertain(self.value - other, self.parts)
        parts = Errors(self.parts)
        for source, part in other.parts.items():
            parts[source] = parts.get(source, 0.0) - part
        return Uncertain(self.value - other.value, parts)

    def __mul__(self, factor: float) -> "Uncertain":
        return Uncertain(self.value * factor, Errors({source: part * factor for source, part in self.parts.items()}))

    def __neg__(self) -> "Uncertain":
        return self * -1.0

    def __truediv__(self, divisor: float) -> "Uncertain":
        return self * (1.0 / divisor)

    @property
    def length(self) -> Length:
        """As the service states it."""
        return Length(round(self.value, _DECIMALS["mm"]) + 0.0, "mm", self.parts.plus_minus)


def to_mm(value: float, unit: Unit) -> float:
    """``value`` in millimetres."""
    return value * MM_PER_INCH if unit == "in" else float(value)


def probability(value: float) -> float:
    """A probability as the service states it: within 0..1, to a millionth."""
    return round(min(1.0, max(0.0, value)), 6)


def probabilities(values: NDArray[np.float64]) -> list[float]:
    """Many at once, each as :func:`probability` states it."""
    stated: list[float] = np.minimum(1.0, np.maximum(0.0, values)).round(6).tolist()
    return stated


def within(centre: float, sd: float, low: float, high: float) -> float:
    """Probability that a normal variable lies in ``low..high``; ``sd`` 0 means it is exactly ``centre``.

    >>> round(within(0.0, 1.0, -1.96, 1.96), 3)
    0.95
    """
    if sd == 0.0:
        return float(low <= centre <= high)
    scale = sd * math.sqrt(2.0)
    return 0.5 * (math.erf((high - centre) / scale) - math.erf((low - centre) / scale))


def check_span(reading: Reading, span: tuple[float, float], what: str, pointer: str) -> Iterator[Fault]:
    """Yield a fault where a reading lies outside what the trade has ever built."""
    low, high = span
    if not low <= reading.mm <= high:
        yield Fault(
            f"{pointer}/value",
            f"{what} must be {low:g} to {high:g} mm; {reading.value:g} {reading.unit} is {reading.mm:.6g} mm",
        )


def refuse(faults: list[Fault]) -> None:
    """Raise one error with all ``faults``, if there are any."""
    if faults:
        raise CotterlineError("impossible-value", "A value cannot be right: nothing was computed.", faults)


def in_unit(result: Result, unit: Unit) -> Result:
    """``result`` with every stated length in it, however deep, in ``unit``."""
    if unit == "mm":
        return result
    converted: Result = _convert(result, unit)
    return converted


def _convert(node: Any, unit: Unit) -> Any:  # noqa: ANN401 - walks any result tree
    if isinstance(node, Length):
        return node.to(unit)
    if isinstance(node, msgspec.Struct):
        changes = {name: _convert(getattr(node, name), unit) for name in _with_lengths(type(node))}
        return msgspec.structs.replace(node, **changes) if changes else node
    if isinstance(node, list | tuple):
        return type(node)(_convert(item, unit) for item in node)
    return node


@lru_cache(maxsize=1024)
def _with_lengths(kind: type[msgspec.Struct]) -> tuple[str, ...]:
    """Fields of a result in which a length can stand, however deep: only they need to be walked."""
    hints = get_type_hints(kind)
    return tuple(name for name in kind.__struct_fields__ if _can_hold_length(hints[name], frozenset()))


def _can_hold_length(hint: Any, seen: frozenset[type]) -> bool:  # noqa: ANN401 - any annotation there is
    if hint is Length or hint is Any or isinstance(hint, TypeVar):
        return True
    if not isinstance(hint, type) or get_args(hint):
        return any(_can_hold_length(part, seen) for part in get_args(hint))
    if hint in seen or not issubclass(hint, msgspec.Struct):
        return False
    return any(_can_hold_length(part, seen | {hint}) for part in get_type_hints(hint).values())
