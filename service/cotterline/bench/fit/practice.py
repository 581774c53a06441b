"""By what a fit report is judged, and what must be said beside it. Figures and texts: ``data/fit.toml``."""

from collections.abc import Iterator, Mapping
from typing import Final, Literal

import msgspec

from cotterline.bench.caution import Caution
from cotterline.bench.data import load

FitCaution = Literal[
    "misreading-suspected", "length-not-ordered", "no-better-length", "spacer-takes-thread", "part-sheet-first"
]


class _Contradiction(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    level: float
    source: str
    grade: str


class _Misreading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    standard_deviations: float
    source: str
    grade: str


class _Spacer(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    step_mm: float
    most_mm: float
    source: str
    grade: str


class _Torque(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    rounded_nm: float
    source: str
    grade: str


class _Practice(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    contradiction: _Contradiction
    misreading: _Misreading
    spacer: _Spacer
    torque: _Torque
    cautions: dict[FitCaution, str]


PRACTICE: Final = load("fit", _Practice)


def cautions(found: Mapping[FitCaution, bool]) -> Iterator[Caution]:
    """The cautions that were found to hold, in the order found.

    >>> [caution.code for caution in cautions({"no-better-length": True, "length-not-ordered": False})]
    ['no-better-length']
    """
    for code, holds in found.items():
        if holds:
            yield Caution(code, PRACTICE.cautions[code])
