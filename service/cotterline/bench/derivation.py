"""How a number came about: every step's formula, inputs, value and source, recorded while it is computed.

A formula is an arithmetic expression over its inputs. A test evaluates every recorded formula with the recorded
inputs and compares it with the recorded value, so the words cannot drift from the code.
"""

from typing import Final

import msgspec
from msgspec import Raw


class Step(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One computed number.

    Attributes:
        name: what the number is.
        formula: an expression over ``inputs`` (``+ - * / **``, and sqrt, abs, exp, log10, tan, atan, radians, degrees,
            floor, ceil, min, max, phi for the normal distribution function).
        inputs: name to value; lengths in mm, angles in degrees.
        value: the outcome, in ``unit``.
        unit: ``mm``, ``degrees``, ``1`` for a pure number, or what else it counts.
        source: where the formula comes from.
    """

    name: str
    formula: str
    inputs: dict[str, float]
    value: float
    unit: str
    source: str


class Trace:
    """Collects steps when the caller wants them, and costs next to nothing when not.

    >>> trace = Trace()
    >>> trace.note("front chain line", "(a + b) / 2", 44.5, "mm", "common practice", a=65.0, b=24.0)
    44.5
    >>> trace.steps[0].inputs
    {'a': 65.0, 'b': 24.0}
    """

    def __init__(self, *, wanted: bool = True) -> None:
        self.wanted = wanted
        self.steps: list[Step] = []

    def note(self, name: str, formula: str, value: float, unit: str, source: str, **inputs: float) -> float:
        """Record one step and hand its value on."""
        if self.wanted:
            rounded = {key: round(item, 9) for key, item in inputs.items()}
            self.steps.append(Step(name, formula, rounded, round(value, 9), unit, source))
        return value


QUIET: Final = Trace(wanted=False)
"""Collects nothing, for whatever nobody asks the derivation of."""


def told(result: bytes, *, derivation: bool) -> dict[str, Raw]:
    """A kept result for the wire, with or without its derivation, otherwise byte for byte.

    >>> msgspec.json.encode(told(b'{"value":1.50,"derivation":[]}', derivation=False))
    b'{"value":1.50}'
    """
    members = msgspec.json.decode(result, type=dict[str, Raw])
    if not derivation:
        members.pop("derivation", None)
    return members
