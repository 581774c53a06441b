"""What a mechanic must know before ordering a spindle on these lengths."""

from collections.abc import Iterator
from typing import Literal

import msgspec

from cotterline.bench.caution import Caution
from cotterline.bench.data import load

SpindleCaution = Literal[
    "taper-assumed",
    "reference-taper-unstated",
    "taper-mismatch",
    "crank-untried",
    "crank-only-by-kind",
    "reports-disagree",
    "shell-not-in-catalogue",
    "none-within-tolerance",
    "every-length-fouls",
    "clearance-not-measured",
    "measure-again",
]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    grade: str
    cautions: dict[SpindleCaution, str]


_TEXTS = load("spindle_cautions", _Table).cautions


def cautions(found: dict[SpindleCaution, bool]) -> Iterator[Caution]:
    """The cautions that were found to hold, in the order found.

    >>> [caution.code for caution in cautions({"measure-again": True, "crank-untried": False})]
    ['measure-again']
    """
    for code, holds in found.items():
        if holds:
            yield Caution(code, _TEXTS[code])
