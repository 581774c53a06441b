"""What is tried with a supplier of parts."""

from collections.abc import Sequence
from typing import Final

import msgspec

from cotterline.delivery.recording import reply_in
from cotterline.delivery.schedule import Answer
from cotterline.partner_kit.checks import COMMON, SERVICE, Check, refused_with_4xx, taken, told, was_taken
from cotterline.partner_kit.subject import UNKNOWN_CODE, Orders
from cotterline.partner_kit.trial import Came, Trial

UBL: Final = "OASIS, Universal Business Language 2.1 (2013)"


async def _once(trial: Trial, orders: Orders) -> str:
    message = orders.fresh()
    first, second = await trial.send(message), await trial.send(message)
    if wrong := taken(first, second):
        return wrong
    return "" if _says(first) == _says(second) else "another answer the second time"


def _says(came: Came) -> object:
    reply = reply_in(came)
    return reply and (reply.says, reply.sequence)


async def _other_order(trial: Trial, orders: Orders) -> str:
    first, other, _ = orders.changed()
    came = [await trial.send(first), await trial.send(other)]
    if wrong := taken(came[0]):
        return wrong
    if was_taken(came[1]) and _says(came[0]) != _says(came[1]):
        return f"{told(came[1])} with another reply, so it was taken for a new order"
    return ""


async def _gives_up(trial: Trial, orders: Orders) -> str:
    order, _, change = orders.changed()
    return taken(await trial.send(order), await trial.send(change))


async def _unknown_part(trial: Trial, orders: Orders) -> str:
    came = await trial.send(orders.unknown())
    return "" if was_taken(came) or refused_with_4xx(came) else told(came)


async def _readable(trial: Trial, orders: Orders) -> str:
    came = await trial.send(orders.fresh())
    unread = isinstance(came, Answer) and was_taken(came) and _meant_as_reply(came.body) and not reply_in(came)
    return "it looks like a reply and cannot be read as one" if unread else ""


def _meant_as_reply(body: bytes) -> bool:
    try:
        found = msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return False
    return isinstance(found, dict) and bool({"says", "at", "sequence"} & {*found})


SUPPLIER_CHECKS: Final[Sequence[Check[Orders]]] = (
    *COMMON,
    Check(
        name="once",
        tries="The same order twice is one order: the same reply both times, if the answer holds one.",
        mend="Keep your answer under webhook-id and give it again.",
        source=SERVICE,
        run=_once,
    ),
    Check(
        name="other-order",
        tries="Another body under the id of an order makes no second order.",
        mend="Refuse it with 409 or 422, or answer as you did the first time.",
        source=SERVICE,
        run=_other_order,
    ),
    Check(
        name="gives-up",
        tries="A change that gives up a line of an order is taken.",
        mend="Take documents of the kind order_change, or OrderChange and OrderCancellation of UBL 2.1.",
        source=UBL,
        run=_gives_up,
    ),
    Check(
        name="unknown-part",
        must=False,
        tries=f"An order of {UNKNOWN_CODE}, which you do not have, is taken and rejected by line, or refused with 4xx.",
        mend="Reply with rejected for that line; after 5xx the order is tried again for days.",
        source=SERVICE,
        run=_unknown_part,
    ),
    Check(
        name="readable",
        tries="An answer that looks like a reply can be read as one.",
        mend="Hold it against the schema of a reply in the API document and the examples in openapi/examples.",
        source=SERVICE,
        run=_readable,
    ),
)
