"""Spindles that were ordered for a job and are still to be had: what a mechanic can have fitted, and what goes back."""

from collections.abc import Sequence
from typing import NamedTuple
from uuid import UUID

from msgspec import UnsetType

from cotterline.bench.orders import OrderLine
from cotterline.bench.parts_list import measure
from cotterline.delivery import order_files
from cotterline.delivery.order_files import OrderFile
from cotterline.store import orders
from cotterline.store.database import WriteTransaction


class OrderedSpindle(NamedTuple):
    """One spindle that an order brings.

    Attributes:
        file: the order, held to the end of the transaction.
        line: of the order.
        length: of what comes, a substitute that was taken included, mm.
    """

    file: OrderFile
    line: OrderLine
    length: float


async def of_quote(tx: WriteTransaction, quote_id: UUID) -> tuple[OrderFile, ...]:
    """Every order of the tenant's quote, held to the end of the transaction; always in the same order."""
    return tuple([await order_files.held(tx, order_id) for order_id in await orders.of_quote(tx, quote_id)])


def at_hand(files: Sequence[OrderFile]) -> tuple[OrderedSpindle, ...]:
    """The spindles of these orders that are here or to come: neither given up nor sent back."""
    found = [OrderedSpindle(file, line, length) for file in files for line, length in _spindles(file)]
    return tuple(each for each in found if each.file.left(each.line.number, "return"))


def _spindles(file: OrderFile) -> list[tuple[OrderLine, float]]:
    comes = {each.line: each for each in file.standing.lines}
    found = []
    for line in file.document.lines:
        instead = comes[line.number].substitute
        other = () if isinstance(instead, UnsetType) else instead.properties
        length = measure((*other, *line.properties), "spindle_length")
        if length is not None and comes[line.number].state != "rejected":
            found.append((line, length))
    return found
