"""Spindles that were ordered for a job and are still to be had: what a mechanic can have fitted, and what goes back."""

from collections.abc import Iterator, Sequence
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

    @property
    def left(self) -> int:
        """How many of it can still be sent back: none where it was given up or sent back already."""
        return self.file.left(self.line.number, "return")


async def of_quote(tx: WriteTransaction, quote_id: UUID) -> tuple[OrderFile, ...]:
    """Every order of the tenant's quote, held to the end of the transaction; always in the same order."""
    return tuple([await order_files.held(tx, order_id) for order_id in await orders.of_quote(tx, quote_id)])


def every(files: Sequence[OrderFile]) -> tuple[OrderedSpindle, ...]:
    """Every spindle that these orders asked for and no supplier refused."""
    return tuple(each for file in files for each in _of_one(file))


def at_hand(files: Sequence[OrderFile]) -> tuple[OrderedSpindle, ...]:
    """The spindles of these orders that are here or to come: neither given up nor sent back."""
    return tuple(each for each in every(files) if each.left)


def _of_one(file: OrderFile) -> Iterator[OrderedSpindle]:
    comes = {each.line: each for each in file.standing.lines}
    for line in file.document.lines:
        instead = comes[line.number].substitute
        other = () if isinstance(instead, UnsetType) else instead.properties
        length = measure((*other, *line.properties), "spindle_length")
        if length is not None and comes[line.number].state != "rejected":
            yield OrderedSpindle(file, line, length)
