"""Questions about spindles for the tests, built from a few numbers."""

from typing import Any

import msgspec

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.derivation import Trace
from cotterline.bench.quantity import Reading
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.question import ShellForSpindle, SpindleQuestion
from cotterline.bench.spindle_options import SpindleOption, SpindleResult, options

ENGLISH_68 = ShellForSpindle(family="iso_english", width=68)


def measured(chain_line: float) -> MeasuredChainLine:
    """A chain line read with a ruler."""
    return MeasuredChainLine(chain_line=Reading(value=chain_line))


def question(**body: Any) -> SpindleQuestion:  # noqa: ANN401 - any part of a request's body
    """A question as a request's body would state it."""
    return msgspec.convert(body, SpindleQuestion)


def pair_question(
    length: float,
    chain_line: float,
    target: float,
    **others: Any,  # noqa: ANN401 - as above
) -> SpindleQuestion:
    """A JIS crank known by one spindle, and a stated target."""
    pair = {
        "known_by": "reference_pair",
        "taper": "jis",
        "spindle_length": {"value": length},
        "chain_line": {"method": "measured_chain_line", "chain_line": {"value": chain_line}},
    }
    crank = pair | others.pop("crank", {})
    return question(target={"aim": "stated", "chain_line": {"value": target}}, crank=crank, **others)


def cotter_question(distance: float, chain_line: float, **others: Any) -> SpindleQuestion:  # noqa: ANN401 - as above
    """A crank never tried, in place of a cottered one whose chain line shall stay."""
    old = {"method": "measured_chain_line", "chain_line": {"value": chain_line}}
    return question(
        target={"aim": "old", "measurement": old},
        crank={"known_by": "cotter_distance", "distance": {"value": distance}},
        **others,
    )


def answer_to(
    asked: SpindleQuestion, settings: ShopSettings | None = None, shell: ShellForSpindle = ENGLISH_68
) -> SpindleResult:
    """The options, with their derivation."""
    return options(asked, shell, settings or ShopSettings(), Trace())


def at_length(result: SpindleResult, length: float) -> SpindleOption:
    """The option of that length."""
    return next(item for item in result.options if item.spindle_length.value == length)
