"""What the rules make of what a supplier proposes: taken or refused by figures that were approved, else left to ask."""

from datetime import datetime
from typing import Final, Literal, NamedTuple

import msgspec
from uuid_utils.compat import uuid7

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.fit.fitting import Fitting, fitting_of
from cotterline.bench.orders import LineChange, OrderChangeDocument
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.replies import Decision, OrderStanding, Question, Substituted
from cotterline.bench.standing import Proposal
from cotterline.bench.substitutions import Judgement, judge, judge_price
from cotterline.bench.workshop import Workshop
from cotterline.delivery.order_files import OrderFile, decide, tell_supplier
from cotterline.store import offsets, quote_revisions
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.shop_documents import SETTINGS

Taken = Literal["take_substitute", "take_price"]
RULE: Final = "rule"
"""Who decided, where nobody had to."""

MOST_ROUNDS: Final = 20
"""How often rules are asked again about what their own decisions uncovered."""


class Judged(NamedTuple):
    """Something proposed, and what the rules say to it."""

    proposal: Proposal
    judgement: Judgement


async def judged(tx: ReadTransaction, file: OrderFile) -> tuple[Judged, ...]:
    """What the rules say to everything that is proposed and not decided."""
    if not file.proposals:
        return ()
    fitting = await _fitting(tx, file)
    return tuple(Judged(proposal, _judged(file, proposal, fitting)) for proposal in file.proposals)


async def decided_by_rule(tx: WriteTransaction, file: OrderFile, now: datetime) -> OrderFile | None:
    """Decide what the rules decide and tell the supplier; return the file with it, or None where there was nothing.

    What the supplier cannot be told, since it is gone or its own form does not work, is left to a person.
    """
    decided = None
    for _ in range(MOST_ROUNDS):
        clear = [each for each in await judged(tx, decided or file) if each.judgement.verdict != "ask"]
        after = await _carried_out(tx, decided or file, clear, now) if clear else None
        if after is None:
            return decided
        decided = after
    return decided


async def with_reasons(tx: ReadTransaction, file: OrderFile) -> OrderStanding:
    """Where the order stands, each question with what the rules found wanting."""
    stands = file.standing
    found = {
        (each.proposal.message_id, each.proposal.line, about(each.proposal)): each.judgement.reasons
        for each in await judged(tx, file)
    }

    def explained(question: Question) -> Question:
        reasons = found.get((question.message_id, question.line, question.about), ())
        return msgspec.structs.replace(question, words=(*question.words, *reasons))

    return msgspec.structs.replace(stands, questions=tuple(map(explained, stands.questions)))


def about(proposal: Proposal) -> str:
    """What a proposal is about, as decisions name it."""
    return "substitute" if isinstance(proposal.statement, Substituted) else "price"


def change_for(decision: Decision, file: OrderFile) -> LineChange:
    """What a supplier is told of a decision."""
    taken: Taken = "take_substitute" if decision.about == "substitute" else "take_price"
    (line,) = (line for line in file.document.lines if line.number == decision.line)
    return LineChange(
        line=line.number,
        change=taken if decision.taken else "refuse",
        quantity=line.quantity.value,
        reasons=decision.reasons,
    )


def change_document(
    file: OrderFile, changes: tuple[LineChange, ...], now: datetime, note: str = ""
) -> OrderChangeDocument:
    """What the supplier is told."""
    order = file.document
    return OrderChangeDocument(
        order_id=order.order_id,
        change_id=uuid7(),
        number=file.told + 1,
        changed_on=now.date(),
        supplier=order.supplier,
        shop=order.shop,
        changes=changes,
        note=note,
        reply_to=order.reply_to,
    )


async def _carried_out(tx: WriteTransaction, file: OrderFile, clear: list[Judged], now: datetime) -> OrderFile | None:
    made = [
        Decision(
            message_id=each.proposal.message_id,
            line=each.proposal.line,
            about="substitute" if isinstance(each.proposal.statement, Substituted) else "price",
            taken=each.judgement.verdict == "take",
            by=RULE,
            reasons=each.judgement.reasons,
        )
        for each in clear
    ]
    document = change_document(file, tuple(change_for(decision, file) for decision in made), now)
    try:
        told = await tell_supplier(tx, file, document, now=now, actor=RULE)
    except CotterlineError:
        return None
    return await decide(tx, told, made, now)


def _judged(file: OrderFile, proposal: Proposal, fitting: Fitting | None) -> Judgement:
    (line,) = (line for line in file.document.lines if line.number == proposal.line)
    rise = file.supplier.price_rise_percent if file.supplier else 0.0
    statement = proposal.statement
    if isinstance(statement, Substituted):
        return judge(line, statement, fitting, rise, Trace(wanted=False))
    return judge_price(line, statement.unit_price, rise)


async def _fitting(tx: ReadTransaction, file: OrderFile) -> Fitting | None:
    """What a proposed spindle is to fit, by the revision that was ordered and the settings it was computed with."""
    revision = await quote_revisions.get(tx, file.row.quote_id, file.row.quote_revision)
    if revision is None:
        return None
    settings = await SETTINGS.get(tx, revision.settings_version) or SETTINGS.unset
    request = msgspec.json.decode(revision.request, type=QuoteRequest)
    workshop = Workshop(profile=settings.content, offsets=await offsets.learned_from(tx))
    return fitting_of(request, workshop)
