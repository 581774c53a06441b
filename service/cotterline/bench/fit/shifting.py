"""How it shifts on the stand."""

from collections.abc import Mapping
from typing import Final

from msgspec import UnsetType

from cotterline.bench.fit.report import Shifting
from cotterline.bench.fit.result import FitCheck

_WORDS: Final[Mapping[Shifting, str]] = {
    "good": "It shifts well, and nothing rubs.",
    "rubs": "Something rubs: find out what before it is ridden.",
    "poor": "It shifts poorly.",
}


def shifting_check(shifting: Shifting | UnsetType) -> FitCheck:
    """Only ``good`` passes.

    >>> shifting_check("rubs").state
    'fail'
    """
    if isinstance(shifting, UnsetType):
        return FitCheck(question="shifting", state="not_measured", words="Not tried: how it shifts.")
    return FitCheck(question="shifting", state="pass" if shifting == "good" else "fail", words=_WORDS[shifting])
