"""Where an order stands, from everything that is known of it; nothing depends on when it became known.

Replies are sorted by the supplier's own count and clock, never by when they arrived. Of two replies that claim one
count and differ, the one that brings a line further holds until a person has said which.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from itertools import groupby
from typing import Literal, NamedTuple

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.line_progress import Contradiction, Decisions, LineProgress, Said, after
from cotterline.bench.order_life import ADVANCE, effect
from cotterline.bench.orders import LineChange, OrderDocument
from cotterline.bench.replies import (
    Decision,
    HeardReply,
    LineStanding,
    LineState,
    OrderStanding,
    OrderState,
    PriceChanged,
    Question,
    Substituted,
)

Outcome = Literal["waiting", "sent", "undelivered", "cancelled"]
"""What became of the post that carries the order; ``cancelled`` before it was sent."""

Lines = Mapping[int, LineProgress]


class Proposal(NamedTuple):
    """Something a supplier proposed that nobody has decided.

    Attributes:
        message_id: of the reply that proposed it.
        line: number of the line in the order.
        statement: a substitute, or another price.
    """

    message_id: str
    line: int
    statement: Substituted | PriceChanged


class _Settled(NamedTuple):
    """The lines after all replies, and what changed nothing."""

    lines: Lines
    notes: tuple[str, ...]


def standing(
    document: OrderDocument,
    outcome: Outcome,
    replies: Sequence[HeardReply] = (),
    decisions: Sequence[Decision] = (),
    changes: Sequence[LineChange] = (),
) -> OrderStanding:
    """Where an order stands; the same whatever the order in which anything is handed in.

    Args:
        document: the order.
        outcome: of the post that carries it.
        replies: all that were heard, each as often as one likes.
        decisions: about what was proposed.
        changes: what the shop itself told the supplier; cancelled pieces and pieces sent back count.
    """
    settled = _settled(document, replies, decisions)
    given_up = _pieces(changes, "cancel")
    sent_back = _pieces(changes, "return")
    stated: list[LineStanding] = []
    questions: list[Question] = []
    for number, line in settled.lines.items():
        cancelled = line.ordered if outcome == "cancelled" else min(given_up.get(number, 0), line.ordered)
        stated.append(_stated(_sent_back(line, sent_back.get(number, 0)), line.ordered - cancelled))
        questions += _questions(line, line.ordered - cancelled, Decisions(tuple(decisions)))
    return OrderStanding(
        state=_order_state(stated, outcome, document.returns),
        lines=tuple(stated),
        questions=tuple(sorted(questions, key=lambda item: (item.line, item.about, item.message_id))),
        notes=settled.notes,
        expected_on=_last_expected(stated),
    )


def proposals(
    document: OrderDocument,
    replies: Sequence[HeardReply],
    decisions: Sequence[Decision] = (),
    changes: Sequence[LineChange] = (),
) -> tuple[Proposal, ...]:
    """What nobody has decided yet and still holds, by line: to be judged by rule, or by a person."""
    given_up = _pieces(changes, "cancel")
    lines = _settled(document, replies, decisions).lines
    wanted = [line for line in lines.values() if given_up.get(line.number, 0) < line.ordered]
    return tuple(
        Proposal(said.message_id, line.number, said.statement)
        for line in wanted
        for said in (line.proposed, line.new_price)
        if said is not None and isinstance(said.statement, Substituted | PriceChanged)
    )


def sorted_replies(replies: Sequence[HeardReply]) -> list[list[HeardReply]]:
    """The replies as the supplier made them, each message once, those that claim one count together.

    A reply without a count has its place by its time among those with one, which lie no earlier than any of a lower
    count.
    """
    once = {item.message_id: item for item in sorted(replies, key=msgspec.json.encode, reverse=True)}
    latest: datetime | None = None
    times: dict[int, datetime] = {}
    for item in sorted(
        (item for item in once.values() if _count(item)), key=lambda each: (_count(each), each.reply.at)
    ):
        latest = item.reply.at if latest is None else max(latest, item.reply.at)
        times[_count(item)] = latest

    def place(item: HeardReply) -> tuple[datetime, bool, int, datetime, str]:
        count = _count(item)
        return times.get(count, item.reply.at), count == 0, count, item.reply.at, item.message_id

    ordered = sorted(once.values(), key=place)
    groups = groupby(ordered, key=lambda item: _count(item) or item.message_id)
    return [[*group] for _, group in groups]


def _count(item: HeardReply) -> int:
    """The supplier's own count, or 0."""
    return 0 if isinstance(item.reply.sequence, UnsetType) else item.reply.sequence


def _settled(document: OrderDocument, replies: Sequence[HeardReply], decided: Sequence[Decision]) -> _Settled:
    decisions = Decisions(tuple(decided))
    lines: Lines = {line.number: LineProgress.of(line) for line in document.lines}
    notes: list[str] = []
    for group in sorted_replies(replies):
        different = _different(group, notes)
        ends = {item.message_id: _after_reply(lines, item, decisions, notes) for item in different}
        lines = {number: _further(number, ends, decisions) for number in lines}
    return _Settled(lines, tuple(dict.fromkeys(notes)))


def _different(group: Sequence[HeardReply], notes: list[str]) -> list[HeardReply]:
    """Those of one count that do not say the same."""
    found: list[HeardReply] = []
    for item in group:
        same = next((each for each in found if each.reply == item.reply), None)
        if same is None:
            found.append(item)
        else:
            notes.append(f"{item.message_id} says again what {same.message_id} said.")
    return found


def _after_reply(lines: Lines, item: HeardReply, decisions: Decisions, notes: list[str]) -> Lines:
    changed = dict(lines)
    for statement in item.reply.says:
        said = Said(item.message_id, statement)
        named = tuple(changed) if isinstance(statement.lines, UnsetType) else statement.lines
        for number in dict.fromkeys(named):
            line = changed.get(number)
            if line is None:
                notes.append(f"{item.message_id} speaks of line {number}, which the order does not have.")
                continue
            changed[number] = after(line, said, decisions)
            if changed[number] == line and effect(said.says, line.state) == "late":
                word, state = said.says.replace("_", " "), line.state.replace("_", " ")
                notes.append(f"{item.message_id} says {word} of line {number}, which is {state}: nothing changes.")
    return changed


def _further(number: int, ends: Mapping[str, Lines], decisions: Decisions) -> LineProgress:
    """The line after the replies of one count: where they differ, what a person chose, or else the more advanced."""
    mine = {message_id: lines[number] for message_id, lines in ends.items()}
    if len(mine) == 1 or len({_what(line) for line in mine.values()}) == 1:
        return next(iter(mine.values()))
    word = {message_id: decisions.taken(message_id, number, "contradiction") for message_id in mine}
    open_to = [name for name, taken in word.items() if taken] or [
        name for name, taken in word.items() if taken is not False
    ]
    chosen = max(open_to or [*mine], key=lambda name: (ADVANCE[mine[name].state], name))
    kept = mine[chosen]
    if any(taken is not None for taken in word.values()):
        return kept
    asked = max(name for name in mine if name != chosen)
    states = ", ".join(f"{name}: {mine[name].state.replace('_', ' ')}" for name in sorted(mine))
    found = Contradiction(asked, f"Messages under one count do not agree: {states}.")
    return replace(kept, contradictions=tuple(dict.fromkeys((*kept.contradictions, found))))


def _what(line: LineProgress) -> LineProgress:
    """The line whichever message said so."""
    unnamed = [None if said is None else Said("", said.statement) for said in (line.proposed, line.new_price)]
    return replace(line, proposed=unnamed[0], new_price=unnamed[1], dispatched_by="")


def _pieces(changes: Sequence[LineChange], kind: Literal["cancel", "return"]) -> dict[int, int]:
    found: dict[int, int] = {}
    for item in changes:
        if item.change == kind:
            found[item.line] = found.get(item.line, 0) + item.quantity
    return found


def _sent_back(line: LineProgress, pieces: int) -> LineProgress:
    """What the shop sent back went back, whether or not the supplier said so."""
    returned = max(line.returned, min(pieces, line.ordered))
    return replace(line, returned=returned, dispatched=max(line.dispatched, returned))


def _stated(line: LineProgress, due: int) -> LineStanding:
    state = line.state_of(due)
    over: tuple[LineState, ...] = ("dispatched", "returned", "rejected", "cancelled")
    coming = 0 if state in {"rejected", "cancelled"} else min(line.accepted + line.backordered, due)
    return LineStanding(
        line=line.number,
        state=state,
        ordered=line.ordered,
        accepted=max(coming, line.dispatched),
        dispatched=line.dispatched,
        returned=line.returned,
        expected_on=UNSET if state in over else line.expected_on,
        unit_price=line.price,
        substitute=line.substitute,
        tracking=", ".join(line.tracking) or UNSET,
    )


def _questions(line: LineProgress, due: int, decisions: Decisions) -> list[Question]:
    """What a person must decide of one line; of a line given up before dispatch nothing any more."""
    found = [
        Question(line=line.number, about="contradiction", message_id=item.message_id, words=(item.words,))
        for item in line.contradictions
    ]
    if due < line.dispatched and decisions.taken(line.dispatched_by, line.number, "contradiction") is None:
        words = f"{line.dispatched} dispatched, although only {due} of {line.ordered} were still wanted."
        found.append(Question(line=line.number, about="contradiction", message_id=line.dispatched_by, words=(words,)))
    if line.state_of(due) == "cancelled":
        return found
    return found + [_question(line, said) for said in (line.proposed, line.new_price) if said is not None]


def _question(line: LineProgress, said: Said) -> Question:
    agreed = f"{line.price.amount} {line.price.currency}"
    if isinstance(said.statement, Substituted):
        price = said.statement.unit_price
        new = agreed if isinstance(price, UnsetType) else f"{price.amount} {price.currency}"
        words = (
            f"{said.statement.name} ({said.statement.code}) is proposed instead, at {new} each; agreed are {agreed}."
        )
        return Question(line=line.number, about="substitute", message_id=said.message_id, words=(words,))
    price = said.statement.unit_price if isinstance(said.statement, PriceChanged) else line.price
    words = f"One costs {price.amount} {price.currency}; agreed are {agreed}."
    return Question(line=line.number, about="price", message_id=said.message_id, words=(words,))


def _order_state(lines: Sequence[LineStanding], outcome: Outcome, returns: int) -> OrderState:  # noqa: PLR0911 - one for each state
    """The state of the whole, from those of the lines that were not given up."""
    live = [line.state for line in lines if line.state != "cancelled"]
    found = set(live)
    if not found:
        return "cancelled"
    if "in_question" in found:
        return "in_question"
    if found <= {"dispatched", "returned"}:
        back = live.count("returned")
        return "returned" if back == len(live) or 0 < returns <= back else "dispatched"
    if found & {"dispatched", "returned", "partly_dispatched"}:
        return "partly_dispatched"
    if "backordered" in found:
        return "backordered"
    if found == {"accepted"}:
        return "accepted"
    if found & {"accepted", "partly_accepted"}:
        return "partly_accepted"
    if "rejected" in found:
        return "rejected"
    return outcome


def _last_expected(lines: Sequence[LineStanding]) -> date | UnsetType:
    """When the last of it is here, where that is known of every line that is still to come."""
    coming = [line for line in lines if line.state not in {"dispatched", "returned", "rejected", "cancelled"}]
    days = [line.expected_on for line in coming if not isinstance(line.expected_on, UnsetType)]
    return max(days) if days and len(days) == len(coming) else UNSET
