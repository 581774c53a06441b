"""Changes: what a shop gives up of an order, or sends back, and tells the supplier."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from litestar import Response, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import Meta, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.order_examples import example_row
from cotterline.api.orders import PATH, OrderId, order_links, tag
from cotterline.bench.errors import Fault
from cotterline.bench.orders import LineChange
from cotterline.bench.quantity import refuse
from cotterline.bench.replies import Pieces
from cotterline.bench.shop import NO_NUL
from cotterline.delivery import inbound, order_files
from cotterline.delivery.order_events import Order, whole
from cotterline.delivery.order_files import OrderFile
from cotterline.delivery.order_rules import change_document
from cotterline.store import deliveries
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.orders import OrderRow


class ChangedLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What becomes of one line.

    Attributes:
        line: its number in the order.
        change: ``cancel`` gives up what has not been dispatched; ``return`` announces that pieces come back.
        quantity: pieces; as many as there can be where left out.
    """

    line: Annotated[int, Meta(ge=1, le=200)]
    change: Literal["cancel", "return"]
    quantity: Pieces | UnsetType = msgspec.UNSET


class ChangeRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is changed of an order.

    Attributes:
        changes: each line once for each kind of change.
        note: the shop's own words, which the supplier is told.
    """

    changes: Annotated[tuple[ChangedLine, ...], Meta(min_length=1, max_length=200)]
    note: Annotated[str, Meta(max_length=500, pattern=NO_NUL)] = ""


def _example(data: ChangeRequest) -> Order:
    lines = [LineChange(line=each.line, change=each.change, quantity=1) for each in data.changes]
    return whole(example_row("sent", changes=lines))


@post(
    PATH + "/changes",
    status_code=201,
    operation_id="changeOrder",
    tags=["orders"],
    summary="Cancel lines of an order, or announce what comes back",
    opt={
        "scope": "order",
        "answer": Order,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "cancel": Example(
                "Give up a line",
                _example,
                b'{"changes":[{"line":1,"change":"cancel"}],"note":"The customer sold the bicycle."}',
            )
        },
        "headers": ["ETag", "Idempotency-Replayed"],
        "links": order_links("$response.body#/id"),
    },
)
async def create(
    order_id: OrderId,
    data: JSONBody[ChangeRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Tell the supplier of a change, and give where the order stands with it.

    An order that is given up whole before anything of it was posted is not posted at all.
    """

    async def work(tx: WriteTransaction) -> Response[Order]:
        row = await change(tx, order_id, data, caller, stamp.now)
        return Response(whole(row), headers={"ETag": tag(row), **KEPT})

    return await once.answer(work)


async def change(tx: WriteTransaction, order_id: UUID, asked: ChangeRequest, caller: Caller, now: datetime) -> OrderRow:
    """Change the tenant's order, tell its supplier, and return it as it stands since.

    Raises:
        CotterlineError: ``not-found``, or ``impossible-value`` with a fault for each change that cannot be.
    """
    file = await order_files.held(tx, order_id)
    changes = _resolved(file, asked.changes)
    document = change_document(file, changes, now, asked.note)
    if _gives_up_all(file, changes) and await deliveries.withdraw(tx, order_id, now):
        file = await order_files.keep_change(tx, file, document, now=now, actor=caller.key_id)
        file = file.with_outcome("cancelled")
    else:
        file = await order_files.tell_supplier(tx, file, document, now=now, actor=caller.key_id)
    await record(
        tx,
        caller.tenant,
        at=now,
        actor=caller.key_id,
        action="order.changed",
        subject_kind="order",
        subject_id=str(order_id),
        detail={"changes": [msgspec.to_builtins(change) for change in changes], "withdrawn": _withdrawn(file)},
    )
    return await inbound.settle(tx, file, ["order.changed"], now)


def _withdrawn(file: OrderFile) -> bool:
    return file.row.outcome == "cancelled"


def _resolved(file: OrderFile, asked: Sequence[ChangedLine]) -> tuple[LineChange, ...]:
    """The changes with their pieces.

    Raises:
        CotterlineError: ``impossible-value`` with a fault for each that cannot be.
    """
    refuse([*_faults(file, asked)])
    return tuple(
        LineChange(
            line=each.line,
            change=each.change,
            quantity=file.left(each.line, each.change) if isinstance(each.quantity, UnsetType) else each.quantity,
        )
        for each in asked
    )


def _faults(file: OrderFile, asked: Sequence[ChangedLine]) -> Iterator[Fault]:
    known = {line.number for line in file.document.lines}
    for index, each in enumerate(asked):
        pointer = f"/changes/{index}"
        if each.line not in known:
            yield Fault(f"{pointer}/line", f"the order has no line {each.line}")
        elif any((before.line, before.change) == (each.line, each.change) for before in asked[:index]):
            yield Fault(pointer, "the same is said of this line already")
        elif (most := file.left(each.line, each.change)) == 0:
            words = (
                "nothing of this line can be cancelled any more" if each.change == "cancel" else "nothing can return"
            )
            yield Fault(f"{pointer}/change", words)
        elif isinstance(each.quantity, int) and each.quantity > most:
            yield Fault(f"{pointer}/quantity", f"at most {most}")


def _gives_up_all(file: OrderFile, changes: Sequence[LineChange]) -> bool:
    """Whether nothing is wanted of the order any more once these changes are made."""
    given_up = {line.number: file.told_of(line.number, "cancel") for line in file.document.lines}
    for change in changes:
        if change.change == "cancel":
            given_up[change.line] += change.quantity
    return all(given_up[line.number] >= line.quantity.value for line in file.document.lines)
