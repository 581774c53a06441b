"""How far one line of an order has come, by one statement after another; the table is in ``order_life.py``."""

from dataclasses import dataclass, replace
from datetime import date
from typing import Final, Literal, NamedTuple, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.money import Money
from cotterline.bench.order_life import ADVANCE, effect
from cotterline.bench.orders import OrderLine
from cotterline.bench.replies import (
    Accepted,
    Backordered,
    Decision,
    Dispatched,
    LineState,
    PriceChanged,
    Rejected,
    Returned,
    Says,
    Statement,
    Substituted,
)

Value = TypeVar("Value")
About = Literal["substitute", "price", "contradiction"]
_SAYS: Final[dict[type[Statement], Says]] = {
    Accepted: "accepted",
    Backordered: "backordered",
    PriceChanged: "price_changed",
    Substituted: "substituted",
    Rejected: "rejected",
    Dispatched: "dispatched",
    Returned: "returned",
}


class Said(NamedTuple):
    """One statement of one message."""

    message_id: str
    statement: Statement

    @property
    def says(self) -> Says:
        """In one word."""
        return _SAYS[type(self.statement)]


class Contradiction(NamedTuple):
    """What cannot be true beside what was said before."""

    message_id: str
    words: str


class Decisions:
    """What was decided, by message, line and what it is about; of two about one thing the first in writing holds."""

    def __init__(self, decisions: tuple[Decision, ...]) -> None:
        ordered = sorted(decisions, key=msgspec.json.encode, reverse=True)
        self._taken = {(item.message_id, item.line, item.about): item.taken for item in ordered}

    def taken(self, message_id: str, line: int, about: About) -> bool | None:
        """Whether it was taken; nothing where nobody decided."""
        return self._taken.get((message_id, line, about))


@dataclass(frozen=True, slots=True, kw_only=True)
class LineProgress:
    """What is known of one line after some statements.

    Attributes:
        number: of the line in the order.
        ordered: pieces.
        price: that was agreed last, of one piece.
        accepted: pieces that were said to come.
        backordered: pieces that come later.
        rejected: whether it was said, or decided, that it will not come.
        dispatched: pieces on their way or here.
        returned: pieces that went back.
        expected_on: when the rest comes.
        substitute: what comes instead, once taken.
        tracking: of what was dispatched.
        dispatched_by: the last message that said something was dispatched.
        proposed: a substitute nobody has decided.
        new_price: a price nobody has decided.
        contradictions: that nobody has decided.
    """

    number: int
    ordered: int
    price: Money
    accepted: int = 0
    backordered: int = 0
    rejected: bool = False
    dispatched: int = 0
    returned: int = 0
    expected_on: date | UnsetType = UNSET
    substitute: Substituted | UnsetType = UNSET
    tracking: tuple[str, ...] = ()
    dispatched_by: str = ""
    proposed: Said | None = None
    new_price: Said | None = None
    contradictions: tuple[Contradiction, ...] = ()

    @classmethod
    def of(cls, line: OrderLine) -> "LineProgress":
        """A line nothing was said of."""
        return cls(number=line.number, ordered=line.quantity.value, price=line.unit_price)

    @property
    def state(self) -> LineState:
        """In one word."""
        return self.state_of(self.ordered)

    def state_of(self, due: int) -> LineState:  # noqa: PLR0911 - one return for each state, the most advanced first
        """In one word, where only ``due`` pieces are still wanted."""
        if self.returned and self.returned >= self.dispatched:
            return "returned"
        if self.dispatched:
            return "dispatched" if self.dispatched >= due else "partly_dispatched"
        if due == 0:
            return "cancelled"
        if self.proposed is not None or self.new_price is not None:
            return "in_question"
        if self.rejected:
            return "rejected"
        if self.backordered:
            return "backordered"
        if self.accepted:
            return "accepted" if self.accepted >= due else "partly_accepted"
        return "open"


def after(line: LineProgress, said: Said, decisions: Decisions) -> LineProgress:
    """The line once something more was said of it; unchanged where that comes too late."""
    surplus = _surplus(line, said)
    does = effect(said.says, line.state)
    if surplus:
        return _contradicted(line, said, decisions, surplus)
    if does == "contradicts":
        words = f"Said to be {_in_words(said.says)} after it was {_in_words(line.state)}{_counts(line)}."
        return _contradicted(line, said, decisions, words)
    return line if does == "late" else _applied(line, said, decisions)


def _contradicted(line: LineProgress, said: Said, decisions: Decisions, words: str) -> LineProgress:
    """The more advanced of both, with a question; once somebody decided, whatever was decided."""
    changed = _applied(line, said, decisions)
    taken = decisions.taken(said.message_id, line.number, "contradiction")
    if taken is not None:
        return _believed(changed, said) if taken else line
    ahead = ADVANCE[changed.state] > ADVANCE[line.state]
    found = Contradiction(said.message_id, words)
    kept = changed if ahead else line
    return replace(kept, contradictions=tuple(dict.fromkeys((*line.contradictions, found))))


def _believed(line: LineProgress, said: Said) -> LineProgress:
    """A person has said that this is how it is: a substitute so believed needs no second decision."""
    if isinstance(said.statement, Substituted) and line.proposed == said:
        return replace(line, proposed=None, substitute=said.statement)
    return line


def _surplus(line: LineProgress, said: Said) -> str:
    """What is wrong with the number of pieces stated, if anything."""
    stated = getattr(said.statement, "quantity", UNSET)
    if isinstance(stated, UnsetType):
        return ""
    before = {"dispatched": line.dispatched, "returned": line.returned}.get(said.says, 0)
    if before + stated <= line.ordered:
        return ""
    besides = f", and {before} were before" if before else ""
    return f"{stated} said to be {_in_words(said.says)}{besides}; {line.ordered} were ordered."


def _counts(line: LineProgress) -> str:
    return f" ({line.dispatched} of {line.ordered} dispatched)" if line.dispatched else ""


def _in_words(state: str) -> str:
    return state.replace("_", " ")


def _applied(line: LineProgress, said: Said, decisions: Decisions) -> LineProgress:  # noqa: PLR0911 - one for each kind
    match said.statement:
        case Accepted():
            return _accepted(line, said.statement)
        case Backordered():
            return _backordered(line, said.statement)
        case PriceChanged():
            return _price_changed(line, said, said.statement, decisions)
        case Substituted():
            return _substituted(line, said, said.statement, decisions)
        case Rejected():
            nothing = LineProgress(number=line.number, ordered=line.ordered, price=line.price, rejected=True)
            return replace(nothing, contradictions=line.contradictions)
        case Dispatched():
            return _dispatched(line, said.message_id, said.statement)
        case Returned():
            return _returned(line, said.statement)


def _accepted(line: LineProgress, statement: Accepted) -> LineProgress:
    pieces = min(_or(statement.quantity, line.ordered), line.ordered)
    return replace(
        line,
        accepted=pieces,
        backordered=min(line.backordered, line.ordered - pieces),
        rejected=False,
        expected_on=_or(statement.expected_on, line.expected_on),
    )


def _backordered(line: LineProgress, statement: Backordered) -> LineProgress:
    """Where no number is stated: what was not accepted, or else all; what is on its way already apart."""
    all_open = line.ordered - (line.accepted if line.accepted < line.ordered else 0)
    pieces = min(_or(statement.quantity, all_open), line.ordered - line.dispatched)
    return replace(
        line,
        backordered=pieces,
        rejected=False,
        expected_on=statement.expected_on,
    )


def _price_changed(line: LineProgress, said: Said, statement: PriceChanged, decisions: Decisions) -> LineProgress:
    taken = decisions.taken(said.message_id, line.number, "price")
    if taken is None and statement.unit_price != line.price:
        return replace(line, new_price=said)
    return replace(line, new_price=None, price=statement.unit_price if taken else line.price)


def _substituted(line: LineProgress, said: Said, statement: Substituted, decisions: Decisions) -> LineProgress:
    taken = decisions.taken(said.message_id, line.number, "substitute")
    if taken is None:
        return replace(line, proposed=said, rejected=False)
    if not taken:
        return replace(line, proposed=None, accepted=0, backordered=0, rejected=True)
    return replace(
        line,
        proposed=None,
        new_price=None,
        substitute=statement,
        price=_or(statement.unit_price, line.price),
        accepted=line.ordered,
        backordered=0,
        rejected=False,
    )


def _dispatched(line: LineProgress, message_id: str, statement: Dispatched) -> LineProgress:
    pieces = min(line.dispatched + _or(statement.quantity, line.ordered), line.ordered)
    new = () if isinstance(statement.tracking, UnsetType) else (statement.tracking,)
    return replace(
        line,
        dispatched=pieces,
        backordered=min(line.backordered, line.ordered - pieces),
        rejected=False,
        tracking=tuple(dict.fromkeys((*line.tracking, *new))),
        dispatched_by=message_id,
    )


def _returned(line: LineProgress, statement: Returned) -> LineProgress:
    """What came back had been dispatched, whether or not that was said."""
    if isinstance(statement.quantity, UnsetType):
        pieces = max(line.returned, line.dispatched or line.ordered)
    else:
        pieces = min(line.returned + statement.quantity, line.ordered)
    return replace(line, returned=pieces, dispatched=max(line.dispatched, pieces), rejected=False)


def _or(stated: Value | UnsetType, otherwise: Value) -> Value:
    return otherwise if isinstance(stated, UnsetType) else stated
