"""Decisions: a person's word on what a supplier proposed, or on what it said against itself."""

from collections.abc import Sequence
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import Meta

from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.order_examples import DEARER, example_row
from cotterline.api.orders import PATH, OrderId, order_links, tag
from cotterline.bench.errors import CotterlineError
from cotterline.bench.line_progress import About
from cotterline.bench.orders import Reason
from cotterline.bench.replies import Decision, Question
from cotterline.bench.shop import NO_NUL
from cotterline.delivery import inbound, order_files
from cotterline.delivery.order_events import Order, whole
from cotterline.delivery.order_rules import change_document, change_for, decided_by_rule
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.orders import OrderRow


class DecisionRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer to an open question of an order's.

    Attributes:
        message_id: of the question.
        line: of the question.
        about: of the question.
        taken: whether the shop takes what is proposed; of a contradiction, whether this message holds.
        reason: why, in the person's own words; the supplier is told.
    """

    message_id: Annotated[str, Meta(min_length=1, max_length=250, pattern=NO_NUL)]
    line: Annotated[int, Meta(ge=1, le=200)]
    about: About
    taken: bool
    reason: Reason

    def answers(self, question: Question) -> bool:
        """Whether it answers this question."""
        return (self.message_id, self.line, self.about) == (question.message_id, question.line, question.about)


def _example(data: DecisionRequest) -> Order:
    return whole(example_row("sent", DEARER, decisions=[_made(data, EXAMPLE_ID)]))


def _made(asked: DecisionRequest, by: str) -> Decision:
    return Decision(
        message_id=asked.message_id,
        line=asked.line,
        about=asked.about,
        taken=asked.taken,
        by=by,
        reasons=(asked.reason,),
    )


_BODY = msgspec.json.encode(
    DecisionRequest(
        message_id=DEARER.message_id,
        line=1,
        about="price",
        taken=False,
        reason="The customer was told another price and does not want to wait.",
    )
)


@post(
    PATH + "/decisions",
    status_code=201,
    operation_id="decideOrder",
    tags=["orders"],
    summary="Answer a question about an order",
    opt={
        "scope": "order",
        "answer": Order,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"refuse": Example("Not at that price", _example, _BODY)},
        "headers": ["ETag", "Idempotency-Replayed"],
        "links": order_links("$response.body#/id"),
    },
)
async def create(
    order_id: OrderId,
    data: JSONBody[DecisionRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Decide what the rules could not; the supplier is told of what was taken or refused.

    Open questions are in the order's standing. What was decided once is not decided again.
    """

    async def work(tx: WriteTransaction) -> Response[Order]:
        row = await _decide(tx, order_id, data, caller, stamp)
        return Response(whole(row), headers={"ETag": tag(row), **KEPT})

    return await once.answer(work)


async def _decide(
    tx: WriteTransaction, order_id: UUID, asked: DecisionRequest, caller: Caller, stamp: Stamp
) -> OrderRow:
    file = await order_files.held(tx, order_id)
    if not any(asked.answers(question) for question in file.standing.questions):
        raise CotterlineError("wrong-state", f"Nobody asks this of the order now. {_open(file.standing.questions)}")
    made, actor = _made(asked, caller.key_id), caller.key_id
    if made.about != "contradiction":
        told = change_document(file, (change_for(made, file),), stamp.now)
        file = await order_files.tell_supplier(tx, file, told, now=stamp.now, actor=actor)
    file = await order_files.decide(tx, file, [made], stamp.now)
    file = await decided_by_rule(tx, file, stamp.now) or file
    await record(
        tx,
        caller.tenant,
        at=stamp.now,
        actor=actor,
        action="order.decided",
        subject_kind="order",
        subject_id=str(order_id),
        detail={"line": made.line, "about": made.about, "taken": made.taken, "reason": asked.reason},
    )
    return await inbound.settle(tx, file, ["order.decided"], stamp.now)


def _open(questions: Sequence[Question]) -> str:
    named = ", ".join(f"line {each.line} about its {each.about} ({each.message_id})" for each in questions)
    return f"Open questions: {named or 'none'}."
