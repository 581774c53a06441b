"""Whether what a supplier proposes instead may come: by the ranges that were approved, and by the chain line.

What is not stated is not taken to fit: a thread nobody knows is not the right one. A substitute is refused where one
figure says so, taken only where every one fits, and in every other case put to a person.
"""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Final, Literal, NamedTuple, get_args

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.fitting import Fitting
from cotterline.bench.money import Money
from cotterline.bench.orders import OrderLine
from cotterline.bench.parts_list import ItemProperty, Measure, Text, measure
from cotterline.bench.pricing.candidates import SLACK_MM
from cotterline.bench.quantity import Length
from cotterline.bench.replies import Substituted
from cotterline.bench.shop import StockedLengths
from cotterline.bench.spelling import plain
from cotterline.bench.spindle.order_policy import ONE_IS_ENOUGH
from cotterline.bench.spindle.taper import Taper
from cotterline.bench.spindle_options import SpindleOption, SpindleResult, options

Ruling = Literal["take", "refuse", "ask"]


class _LessLikely(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    margin: float
    source: str
    grade: str


class _Rounded(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    mm: float
    source: str
    grade: str


class _Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    less_likely: _LessLikely
    rounded: _Rounded


_LIMITS: Final = load("substitutions", _Limits)
LESS_LIKELY: Final = _LIMITS.less_likely.margin
"""By how much a substitute may be less likely to land within the tolerance than what was ordered."""

ROUNDED_MM: Final = _LIMITS.rounded.mm
"""By how much a figure may miss a limit and still be the very one, rounded."""

_LENGTHS_MM: Final = (90.0, 180.0)
"""Spindles shorter or longer than any that are made are not predicted."""


class Judgement(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What becomes of something a supplier proposed.

    Attributes:
        verdict: ``take`` it, ``refuse`` it, or ``ask`` a person.
        reasons: in words, with numbers; what stands against it, or else what it was taken for.
        chain_line: where the proposed spindle would put the rings.
    """

    verdict: Ruling
    reasons: tuple[str, ...]
    chain_line: SpindleOption | UnsetType = UNSET


class _Finding(NamedTuple):
    ruling: Ruling
    words: str


def judge(
    line: OrderLine, proposal: Substituted, fitting: Fitting | None, price_rise_percent: float, trace: Trace
) -> Judgement:
    """Judge a proposed substitute.

    Args:
        line: as it was ordered.
        proposal: what is offered instead.
        fitting: what a spindle is to fit; not looked at for lines that ask for no spindle length.
        price_rise_percent: how much dearer than ordered it may be without a person's word.
        trace: takes the derivation of the predicted chain line.
    """
    found = [*_by_properties(line, proposal.properties), *_by_price(line, proposal.unit_price, price_rise_percent)]
    predicted: SpindleOption | UnsetType = UNSET
    length = measure(proposal.properties, "spindle_length")
    if measure(line.properties, "spindle_length") is not None and length is not None:
        predicted, said = _by_chain_line(line, proposal.properties, length, fitting, trace)
        found += said
    return _judgement(found, predicted)


def judge_price(line: OrderLine, proposed: Money, price_rise_percent: float) -> Judgement:
    """Judge another price: taken up to the rise that is allowed, on the price that was ordered.

    >>> from cotterline.bench.parts_list import Quantity
    >>> bolt = OrderLine(
    ...     number=1, parts_line=2, code="B", sku="B", name="Bolt", quantity=Quantity(2),
    ...     unit_price=Money(amount="2.00", currency="EUR"),
    ... )
    >>> judge_price(bolt, Money(amount="2.10", currency="EUR"), 5).verdict
    'take'
    """
    return _judgement([*_by_price(line, proposed, price_rise_percent)], UNSET)


def _judgement(found: Sequence[_Finding], predicted: SpindleOption | UnsetType) -> Judgement:
    given = {item.ruling for item in found}
    ruling: Ruling = "refuse" if "refuse" in given else "ask" if "ask" in given else "take"
    words = tuple(item.words for item in found if item.ruling == ruling)
    return Judgement(verdict=ruling, reasons=words, chain_line=predicted)


def _by_price(line: OrderLine, proposed: Money | UnsetType, rise_percent: float) -> Iterator[_Finding]:
    if isinstance(proposed, UnsetType):
        return
    ordered = line.unit_price
    new, old = f"{proposed.amount} {proposed.currency}", f"{ordered.amount} {ordered.currency}"
    if proposed.currency != ordered.currency:
        yield _Finding("ask", f"It costs {new}; {old} was ordered, and prices are not converted.")
        return
    most = ordered.decimal * (1 + Decimal(str(rise_percent)) / 100)
    if proposed.decimal <= most:
        yield _Finding("take", f"It costs {new}; {old} was ordered.")
    else:
        yield _Finding("ask", f"It costs {new}; {old} was ordered, and a rise of {rise_percent:g} % is allowed.")


def _by_properties(line: OrderLine, stated: Sequence[ItemProperty]) -> Iterator[_Finding]:
    if not line.properties:
        yield _Finding("ask", f"The order states nothing of {line.name} that a substitute could be judged by.")
    for wanted in line.properties:
        given = [item for item in stated if item.name == wanted.name]
        yield _one_property(wanted, given)


def _one_property(wanted: ItemProperty, given: Sequence[ItemProperty]) -> _Finding:
    name = wanted.name.replace("_", " ")
    if not given:
        return _Finding("ask", f"The {name} of the substitute is not stated.")
    if len(given) > 1:
        return _Finding("ask", f"The {name} of the substitute is stated more than once.")
    (item,) = given
    if isinstance(wanted, Measure) and isinstance(item, Measure):
        return _onemeasure(wanted, item, name)
    if isinstance(wanted, Text) and isinstance(item, Text):
        fits = plain(item.value) in {plain(word) for word in wanted.accepted}
        accepted = " or ".join(wanted.accepted)
        if fits:
            return _Finding("take", f"The {name} is {item.value}.")
        return _Finding("refuse", f"The {name} is {item.value}; it must be {accepted}.")
    return _Finding("ask", f"The {name} is stated in another way than it was ordered.")


def _onemeasure(wanted: Measure, item: Measure, name: str) -> _Finding:
    """Within what was approved; what may only be rounded, or a spread that reaches beyond, is put to a person."""
    span = f"{wanted.lowest:g} mm" if wanted.lowest == wanted.highest else f"{wanted.lowest:g} to {wanted.highest:g} mm"
    words = f"The {name} is {item.value:g} mm; it must be {span}."
    if not _within(item.value, wanted, ROUNDED_MM):
        return _Finding("refuse", words)
    if not _within(item.value, wanted):
        return _Finding("ask", f"{words} It may be the very figure, rounded.")
    if not (_within(item.lowest, wanted) and _within(item.highest, wanted)):
        spread = f"{item.lowest:g} to {item.highest:g} mm"
        return _Finding("ask", f"The {name} may be {spread}; it must be {span}.")
    return _Finding("take", f"The {name} is {item.value:g} mm, within {span}.")


def _within(value: float, wanted: Measure, slack: float = 0.0) -> bool:
    return wanted.lowest - slack - SLACK_MM <= value <= wanted.highest + slack + SLACK_MM


def _by_chain_line(
    line: OrderLine, stated: Sequence[ItemProperty], length: float, fitting: Fitting | None, trace: Trace
) -> tuple[SpindleOption | UnsetType, list[_Finding]]:
    """Where the proposed spindle would put the rings, and whether that is as good as what was ordered."""
    if fitting is None:
        return UNSET, [_Finding("ask", "Nothing is known of where the rings shall stand.")]
    if not _LENGTHS_MM[0] <= length <= _LENGTHS_MM[1]:
        return UNSET, [_Finding("ask", f"No spindle is known to be {length:g} mm long.")]
    ordered_length = measure(line.properties, "spindle_length") or length
    try:
        proposed = _predicted(fitting, stated, length, trace)
        ordered = _predicted(fitting, line.properties, ordered_length, Trace(wanted=False))
    except CotterlineError as error:
        return UNSET, [_Finding("ask", f"The chain line cannot be predicted: {error.detail}")]
    return proposed.first, [*_by_residual(proposed), *_by_chance(proposed.first, ordered.first)]


def _by_residual(proposed: SpindleResult) -> Iterator[_Finding]:
    option, tolerance = proposed.first, proposed.tolerance.value
    length, residual = option.spindle_length.value, option.residual.value
    where = (
        f"With {length:g} mm the chain line comes to {option.chain_line.value:g} mm, {residual:+g} mm from the target"
    )
    if abs(residual) > tolerance + SLACK_MM:
        yield _Finding("refuse", f"{where}; {tolerance:g} mm is allowed.")
    else:
        yield _Finding("take", f"{where}, within {tolerance:g} mm.")
    for item in option.clearances:
        if item.state == "foul" and isinstance(item.margin, Length):
            what = item.subject.replace("_", " ")
            yield _Finding("refuse", f"With {length:g} mm the {what} fouls: {-item.margin.value:g} mm is missing.")


def _by_chance(proposed: SpindleOption, ordered: SpindleOption) -> Iterator[_Finding]:
    """What lands no less surely than what was approved needs no asking, however unsure both are."""
    chance, before = proposed.probability_within, ordered.probability_within
    if chance >= before:
        return
    if chance < ONE_IS_ENOUGH:
        yield _Finding(
            "ask", f"It lands within the tolerance with probability {chance:.2f}, less than {ONE_IS_ENOUGH:g}."
        )
    elif chance < before - LESS_LIKELY:
        yield _Finding(
            "ask", f"It lands within the tolerance with probability {chance:.2f}; what was ordered, {before:.2f}."
        )


def _predicted(fitting: Fitting, stated: Sequence[ItemProperty], length: float, trace: Trace) -> SpindleResult:
    """What one length would do, with the taper and the asymmetry that are stated beside it."""
    wanted = fitting.question.unit
    taper = next((item.value for item in stated if isinstance(item, Text) and item.name == "spindle_taper"), "")
    asymmetry = measure(stated, "spindle_asymmetry")
    unit = msgspec.structs.replace(
        wanted,
        taper=next((name for name in get_args(Taper) if name == plain(taper)), wanted.taper),
        asymmetry_mm=wanted.asymmetry_mm if asymmetry is None else asymmetry,
    )
    width = fitting.shell.width if isinstance(unit.unit_width_mm, UnsetType) else unit.unit_width_mm
    only = (StockedLengths(shell_width=width, lengths=(length,)),)
    return options(
        msgspec.structs.replace(fitting.question, unit=unit),
        fitting.shell,
        msgspec.structs.replace(fitting.settings, stocked_lengths=only),
        trace,
        offsets=fitting.offsets,
    )
