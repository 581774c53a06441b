"""What the practice supplier says to an order or a change of one: a pure function of the document and its rules."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from decimal import ROUND_UP, Decimal
from typing import Final

from msgspec import UNSET

from cotterline.bench.money import Money
from cotterline.bench.orders import LineChange, OrderChangeDocument, OrderDocument, OrderLine
from cotterline.bench.replies import (
    Accepted,
    Backordered,
    Dispatched,
    PriceChanged,
    Rejected,
    Returned,
    Statement,
)
from cotterline.practice_supplier.rules import RULES, Told
from cotterline.practice_supplier.substitutes import proposed, replaceable

Message = tuple[Statement, ...]
"""What is said at once."""

_SOON: Final = timedelta(days=3)
_LATER: Final = timedelta(days=21)
_DEARER: Final = Decimal("1.1")
_TRACKING: Final = "PRACTICE-0001"


def to_order(order: OrderDocument, told: Told) -> tuple[Message, ...]:
    """What is said to an order, message by message in the order it is said."""
    if told.unknown:
        known = ", ".join(each.rule for each in RULES)
        return ((Rejected(reason=f"No rule is called {', '.join(told.unknown)[:60]}; there are {known}."),),)
    first = tuple(_first(order, told))
    follows = told.rules & {"dispatch", "contradict", "out-of-order"}
    coming = tuple(_dispatched(order, first)) if follows else ()
    messages = [first, *([coming] if coming else [])]
    if "contradict" in told.rules:
        messages.append((Rejected(reason="Not one of them is to be had after all."),))
    return tuple(messages)


def to_change(change: OrderChangeDocument, told: Told) -> tuple[Message, ...]:
    """What is said to a change of an order; what the shop gives up is taken note of without a word."""
    soon = change.changed_on + _SOON
    first = tuple(statement for each in change.changes for statement in _to_line_change(each, soon))
    taken = tuple(each.line for each in change.changes if each.change in {"take_substitute", "take_price"})
    dispatched = (Dispatched(lines=taken, tracking=_TRACKING),) if taken and "dispatch" in told.rules else ()
    return tuple(message for message in (first, dispatched) if message)


def _to_line_change(change: LineChange, soon: date) -> Iterator[Statement]:
    match change.change:
        case "take_substitute" | "take_price":
            yield Accepted(lines=(change.line,), expected_on=soon)
        case "refuse":
            yield Rejected(lines=(change.line,), reason="There is no other.")
        case "return":
            yield Returned(lines=(change.line,), quantity=change.quantity)
        case "cancel":
            pass


def _first(order: OrderDocument, told: Told) -> Iterator[Statement]:
    soon, later = order.ordered_on + _SOON, order.ordered_on + _LATER
    match told.reply:
        case "reject":
            yield Rejected(reason="None of it is in the catalogue any more.")
        case "substitute-good" | "substitute-bad" | "substitute-unknown" as how:
            line = replaceable(order)
            yield proposed(line, how)
            yield from _others(order, line, soon)
        case "price-up":
            line = order.lines[0]
            yield PriceChanged(lines=(line.number,), unit_price=_dearer(line.unit_price))
            yield from _others(order, line, soon)
        case "backorder":
            yield Backordered(expected_on=later)
        case "in-part":
            yield from _in_part(order, soon, later)
        case _:
            yield Accepted(expected_on=soon)


def _others(order: OrderDocument, but: OrderLine, soon: date) -> Iterator[Statement]:
    numbers = tuple(line.number for line in order.lines if line is not but)
    if numbers:
        yield Accepted(lines=numbers, expected_on=soon)


def _in_part(order: OrderDocument, soon: date, later: date) -> Iterator[Statement]:
    for line in order.lines:
        some = line.quantity.value - 1
        if some:
            yield Accepted(lines=(line.number,), quantity=some, expected_on=soon)
            yield Backordered(lines=(line.number,), quantity=1, expected_on=later)
        else:
            yield Accepted(lines=(line.number,), expected_on=soon)


def _dispatched(order: OrderDocument, said: Sequence[Statement]) -> Iterator[Statement]:
    """Dispatch what was accepted, as many as were, and what was backordered as a whole."""
    everything = tuple(line.number for line in order.lines)
    for statement in said:
        if isinstance(statement, Accepted):
            yield Dispatched(lines=statement.lines or everything, quantity=statement.quantity, tracking=_TRACKING)
        elif isinstance(statement, Backordered) and statement.quantity is UNSET:
            yield Dispatched(tracking=_TRACKING)


def _dearer(price: Money) -> Money:
    """A tenth more, to the decimals the price has, and more by one of the last at least."""
    last = Decimal(1).scaleb(int(price.decimal.as_tuple().exponent))
    raised = max((price.decimal * _DEARER).quantize(last, ROUND_UP), price.decimal + last)
    return Money(amount=f"{raised:f}", currency=price.currency)
