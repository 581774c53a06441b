"""What a job may cost: twenty dots, each as likely as any other, beside the amounts a customer is told."""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import ceil, floor
from typing import Final, NamedTuple

from msgspec import UnsetType

from cotterline.bench.estimates import MoneyRange
from cotterline.bench.money import Money, in_minor_units, of_minor_units
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.documents.drawings.board import LARGE, LEAD, MARGIN, SMALL, WIDTH, Board, Box, text_width
from cotterline.documents.drawings.pens import (
    BLACK,
    EXPECTED,
    FINE,
    OUTLINE,
    PAPER,
    SHADE,
    WANTED,
    WANTED_BAND,
    Pen,
)
from cotterline.documents.language import Language

NAME: Final = "cost"

_SIDE: Final = 5.0
"""Millimetres kept free left and right of the amounts."""

_DOTS: Final = 24.0
"""Most millimetres that dots are piled up."""

_SIZES: Final = (3.6, 3.2, 2.8, 2.4, 2.0, 1.6, 1.2)
"""Diameters of a dot, the largest that fits first."""

_BAND: Final = 5.0
"""Height of the band that stands for dots where there are none."""

_TICKS: Final = 4
_STEPS: Final = (1, 2, 5)

_BESIDE: Final = 1.2
"""From a line to its words."""

_ROW: Final = LARGE * LEAD
_TICK_ROW: Final = 1.2 + SMALL * LEAD + 0.6
"""Millimetres from one line of words to the next, and from the axis to below its figures."""

_CEILING: Final = Pen(width=0.7)


class Axis(NamedTuple):
    """Where amounts of one currency lie on paper."""

    least: float
    most: float
    currency: str

    @classmethod
    def of(cls, amounts: Sequence[Money]) -> "Axis":
        """An axis on which all these amounts have room."""
        units = [_units(amount) for amount in amounts]
        return cls(min(units), max(units), amounts[0].currency)

    def at(self, amount: Money) -> float:
        """Where an amount lies."""
        return self.at_units(_units(amount))

    def at_units(self, units: float) -> float:
        """Where a number of minor units lies."""
        if self.most == self.least:
            return WIDTH / 2
        share = (units - self.least) / (self.most - self.least)
        return MARGIN + _SIDE + share * (WIDTH - 2 * (MARGIN + _SIDE))

    def ticks(self) -> Iterator[int]:
        """Yield round numbers of minor units."""
        step = _round_step((self.most - self.least) / _TICKS)
        for number in range(ceil(self.least / step), floor(self.most / step) + 1):
            yield number * step


class Mark(NamedTuple):
    """An amount with a line of its own."""

    words: str
    amount: Money
    pen: Pen
    part: str


def cost_distribution(money: MoneyRange, ceiling: Ceiling | UnsetType, language: Language) -> str:
    """The drawing of an estimate's distribution.

    Args:
        money: the range, with its curve where it was kept.
        ceiling: what the customer is asked to approve, where there is one.
        language: whose words and customs it is told in.
    """
    marks, axis = list(_marks(money, language)), _axis_for(money, ceiling)
    board, heading = Board(), _heading(money, language)
    board.paragraph(heading, size=LARGE, bold=True)
    board.y += 1.0
    top = board.y
    board.y += len(marks) * _ROW + 1.0
    piles = list(_piles(money.curve, axis))
    base = board.y + (max(map(len, piles)) * _size(piles) if piles else _BAND) + 0.5
    for row, mark in enumerate(marks):
        _marked(board, mark, axis, top + row * _ROW, base)
    if piles:
        _dots(board, piles, axis, base, ceiling)
    else:
        _plain_band(board, money, axis, base)
    told = [mark.words for mark in marks]
    if isinstance(ceiling, Ceiling):
        told.append(_ceiling(board, ceiling, axis, (top + 2 * _ROW, base), language))
    board.y = base
    _axis(board, axis, ceiling, language)
    board.y += _ROW if isinstance(ceiling, Ceiling) else 0.0
    _spread(board, money, axis)
    notes = list(_notes(money, ceiling, language))
    for note in notes:
        board.paragraph(note, size=LARGE)
    return board.svg(NAME, heading, " ".join([*(f"{words}." for words in told), *notes]), language.tag)


def _axis_for(money: MoneyRange, ceiling: Ceiling | UnsetType) -> Axis:
    asked = [ceiling.amount] if isinstance(ceiling, Ceiling) else []
    return Axis.of([money.p10, money.p90, money.expected, *money.curve, *asked])


def _heading(money: MoneyRange, language: Language) -> str:
    say = language.say
    return say("What twenty jobs like this would cost") if money.curve else say("What this job may cost")


def _marks(money: MoneyRange, language: Language) -> Iterator[Mark]:
    """Those above the dots, the lesser one first, so that words to the right cross no other line."""
    say, told = language.say, language.money
    marks = [
        Mark(say("half cost at most {amount}", amount=told(money.p50)), money.p50, WANTED, "p50"),
        Mark(say("on average: {amount}", amount=told(money.expected)), money.expected, EXPECTED, "expected"),
    ]
    yield from sorted(marks, key=lambda mark: mark.amount.decimal)


def _marked(board: Board, mark: Mark, axis: Axis, top: float, base: float) -> None:
    """The line of a mark down to the axis, and its words to the right of it, as far as there is room."""
    x = axis.at(mark.amount)
    board.line((x, top), (x, base), mark.pen, mark.part)
    at = min(x + _BESIDE, WIDTH - MARGIN - text_width(mark.words, LARGE))
    board.text((at, top + LARGE), mark.words, size=LARGE, ground=True)


def _ceiling(board: Board, ceiling: Ceiling, axis: Axis, above: tuple[float, float], language: Language) -> str:
    """The line of the ceiling through the axis, its words below; return them."""
    words = language.say("ceiling: {amount}", amount=language.money(ceiling.amount))
    x, wide = axis.at(ceiling.amount), text_width(words, LARGE, bold=True)
    foot = above[1] + _TICK_ROW + _ROW
    board.line((x, above[0]), (x, foot), _CEILING, "ceiling")
    left = x - _BESIDE - wide >= MARGIN
    at = x - _BESIDE if left else x + _BESIDE
    board.text((at, foot - _ROW + LARGE), words, size=LARGE, anchor="end" if left else "start", bold=True)
    return words


def _piles(curve: Sequence[Money], axis: Axis) -> Iterator[list[Money]]:
    """Amounts that lie so near one another that their dots are piled up.

    L. Wilkinson, "Dot Plots", The American Statistician 53 (1999), 276-281.
    """
    pile: list[Money] = []
    for amount in curve:
        if pile and axis.at(amount) >= axis.at(pile[0]) + _SIZES[0]:
            yield pile
            pile = []
        pile.append(amount)
    if pile:
        yield pile


def _size(piles: Sequence[Sequence[Money]]) -> float:
    tallest = max(map(len, piles), default=0)
    return next((size for size in _SIZES if tallest * size <= _DOTS), _SIZES[-1])


def _dots(
    board: Board, piles: Sequence[Sequence[Money]], axis: Axis, base: float, ceiling: Ceiling | UnsetType
) -> None:
    """The dots on their base line: black within the ceiling, hollow beyond it."""
    size = _size(piles)
    for pile in piles:
        x = (axis.at(pile[0]) + axis.at(pile[-1])) / 2
        for number, amount in enumerate(pile):
            inside = isinstance(ceiling, UnsetType) or _units(amount) <= _units(ceiling.amount)
            centre, radius = (x, base - (number + 0.5) * size), size / 2 - 0.3
            board.dot(centre, radius, "within" if inside else "beyond", BLACK if inside else PAPER, OUTLINE)


def _plain_band(board: Board, money: MoneyRange, axis: Axis, base: float) -> None:
    band = Box(axis.at(money.p10), base - _BAND, axis.at(money.p90), base)
    board.box(band, None, fill=SHADE)
    board.hatch(band, WANTED_BAND)
    board.box(band, OUTLINE, "range")


def _axis(board: Board, axis: Axis, ceiling: Ceiling | UnsetType, language: Language) -> None:
    """The line of amounts, with a figure at each round one that has room beside the ceiling's line."""
    crossed = axis.at(ceiling.amount) if isinstance(ceiling, Ceiling) else -WIDTH
    board.line((MARGIN, board.y), (WIDTH - MARGIN, board.y), OUTLINE)
    free = MARGIN
    for units in axis.ticks():
        x, words = axis.at_units(units), language.money(of_minor_units(units, axis.currency))
        board.line((x, board.y), (x, board.y + 1.0), FINE, "tick")
        half = text_width(words) / 2
        if x - half >= free and x + half <= WIDTH - MARGIN and abs(x - crossed) > half:
            board.text((x, board.y + 1.2 + SMALL), words, anchor="middle")
            free = x + half + 1.0
    board.y += _TICK_ROW


def _spread(board: Board, money: MoneyRange, axis: Axis) -> None:
    """A bracket below the axis from p10 to p90."""
    left, right = axis.at(money.p10), axis.at(money.p90)
    y = board.y + 1.2
    board.line((left, y), (right, y), OUTLINE, "p10-p90")
    for x in (left, right):
        board.line((x, y - 1.0), (x, y + 1.0), OUTLINE)
    board.y = y + 1.4


def _notes(money: MoneyRange, ceiling: Ceiling | UnsetType, language: Language) -> Iterator[str]:
    say, low, high = language.say, language.money(money.p10), language.money(money.p90)
    yield say("Eight in ten cost {low} to {high}.", low=low, high=high)
    if not money.curve:
        yield say("How amounts spread in between was not kept with this quote.")
    elif isinstance(ceiling, Ceiling):
        within = sum(_units(amount) <= _units(ceiling.amount) for amount in money.curve)
        words = say(
            "Each dot stands for one job in twenty; {count} of {all} stay within the ceiling.",
            count=within,
            all=len(money.curve),
        )
        yield words
    else:
        yield say("Each dot stands for one job in twenty; all are as likely.")
    if not money.complete:
        yield say("Some prices are still missing.")


def _units(amount: Money) -> float:
    return float(in_minor_units(amount.amount, amount.currency))


def _round_step(least: float) -> int:
    """The smallest of 1, 2, 5, 10 and so on that is no less."""
    power = 1
    while True:
        for step in _STEPS:
            if step * power >= Fraction(least):
                return step * power
        power *= 10
