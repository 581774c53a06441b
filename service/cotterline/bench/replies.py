"""What a supplier says about an order, and where the order stands once everything it said is put together.

Replies may come twice, late, out of order, and against each other. Where an order stands follows from the set of them
alone: they are sorted by what the supplier counts, or else by its clock, never by when they arrived.
"""

from datetime import date, datetime
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.money import Money
from cotterline.bench.parts_list import ItemProperty
from cotterline.bench.shop import NO_NUL

Pieces = Annotated[int, Meta(ge=1, le=10_000)]
Words = Annotated[str, Meta(min_length=1, max_length=500, pattern=NO_NUL)]
Code = Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL)]
LineNumbers = Annotated[tuple[Annotated[int, Meta(ge=1, le=200)], ...], Meta(min_length=1, max_length=200)]


class _Statement(msgspec.Struct, tag_field="says", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something said of lines of an order.

    Attributes:
        lines: numbers of the lines it is said of; every line where left out.
    """

    lines: LineNumbers | UnsetType = UNSET


class Accepted(_Statement, tag="accepted", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They will come.

    Attributes:
        quantity: pieces, where fewer than were ordered: the order is accepted in part.
        expected_on: when.
    """

    quantity: Pieces | UnsetType = UNSET
    expected_on: date | UnsetType = UNSET


class Backordered(_Statement, tag="backordered", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They will come later.

    Attributes:
        expected_on: when.
        quantity: pieces; all that are still open where left out.
    """

    expected_on: date
    quantity: Pieces | UnsetType = UNSET


class PriceChanged(_Statement, tag="price_changed", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They cost something else than was ordered.

    Attributes:
        unit_price: of one piece.
    """

    unit_price: Money


class Substituted(_Statement, tag="substituted", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something else is proposed.

    Attributes:
        code: what the supplier calls it.
        name: in words.
        properties: what is known of it; a property that is not stated is not taken to fit.
        unit_price: of one piece, where it differs.
        gtin: its trade item number.
    """

    code: Code
    name: Words
    properties: Annotated[tuple[ItemProperty, ...], Meta(max_length=20)] = ()
    unit_price: Money | UnsetType = UNSET
    gtin: Annotated[str, Meta(pattern=r"^([0-9]{8}|[0-9]{12,14})(?![\s\S])", max_length=14)] | UnsetType = UNSET


class Rejected(_Statement, tag="rejected", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They will not come.

    Attributes:
        reason: in words.
    """

    reason: Words | UnsetType = UNSET


class Dispatched(_Statement, tag="dispatched", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They are on their way.

    Attributes:
        quantity: pieces; all where left out.
        tracking: what names the consignment.
    """

    quantity: Pieces | UnsetType = UNSET
    tracking: Words | UnsetType = UNSET


class Returned(_Statement, tag="returned", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """They came back to the supplier.

    Attributes:
        quantity: pieces; all where left out.
    """

    quantity: Pieces | UnsetType = UNSET


Statement = Accepted | Backordered | PriceChanged | Substituted | Rejected | Dispatched | Returned


class Reply(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One message of a supplier's about one order.

    Attributes:
        at: when the supplier said it, by its own clock.
        says: one statement or more.
        sequence: the supplier's own count of what it said about this order, from 1; decides the order of replies
            where both have one.
        note: in words.
    """

    at: Annotated[datetime, Meta(tz=True)]
    says: Annotated[tuple[Statement, ...], Meta(min_length=1, max_length=200)]
    sequence: Annotated[int, Meta(ge=1, le=1_000_000)] | UnsetType = UNSET
    note: Annotated[str, Meta(max_length=500, pattern=NO_NUL)] = ""


ReplySource = Literal["callback", "answer", "person"]
"""Sent to this service, given in answer to the post itself, or entered by somebody in the shop."""


class HeardReply(msgspec.Struct, frozen=True, kw_only=True):
    """A reply as it is kept.

    Attributes:
        message_id: what names it; the same twice is one reply.
        reply: what it says.
    """

    message_id: str
    reply: Reply


class Decision(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was decided about something a supplier proposed.

    Attributes:
        message_id: of the reply that proposed it.
        line: number of the line in the order.
        about: a substitute, another price, or replies that contradict each other.
        taken: whether the shop takes it; of a contradiction, whether it is this reply that holds.
        by: the id of the key of the person who decided, or ``rule`` where the ranges and figures did.
        reasons: in words, with numbers.
    """

    message_id: str
    line: int
    about: Literal["substitute", "price", "contradiction"]
    taken: bool
    by: str
    reasons: tuple[str, ...] = ()


Says = Literal["accepted", "backordered", "price_changed", "substituted", "rejected", "dispatched", "returned"]
"""What a statement says, as its tag has it."""

OrderState = Literal[
    "waiting",
    "sent",
    "undelivered",
    "accepted",
    "partly_accepted",
    "backordered",
    "in_question",
    "rejected",
    "partly_dispatched",
    "dispatched",
    "returned",
    "cancelled",
]
LineState = Literal[
    "open", "accepted", "partly_accepted", "backordered", "in_question", "rejected", "partly_dispatched", "dispatched",
    "returned", "cancelled",
]  # fmt: skip


class Question(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something a person must decide.

    Attributes:
        line: number of the line in the order.
        about: a substitute, another price, or replies that contradict each other.
        message_id: of the reply it comes from.
        words: what is asked, with numbers.
    """

    line: int
    about: Literal["substitute", "price", "contradiction"]
    message_id: str
    words: tuple[str, ...]


class LineStanding(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where one line stands.

    Attributes:
        line: its number in the order.
        state: in one word.
        ordered: pieces.
        accepted: pieces the supplier said will come.
        dispatched: pieces on their way or here.
        returned: pieces that went back.
        expected_on: when the rest comes.
        unit_price: what one costs by what was agreed last.
        substitute: what comes instead, once it was taken.
        tracking: of what was dispatched.
    """

    line: int
    state: LineState
    ordered: int
    accepted: int = 0
    dispatched: int = 0
    returned: int = 0
    expected_on: date | UnsetType = UNSET
    unit_price: Money | UnsetType = UNSET
    substitute: Substituted | UnsetType = UNSET
    tracking: str | UnsetType = UNSET


class OrderStanding(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where an order stands.

    Attributes:
        state: in one word.
        lines: each line.
        questions: what a person must decide.
        notes: what came that changed nothing, and why: repeated, late, or of a line there is not.
        expected_on: when the last of it is expected.
    """

    state: OrderState
    lines: tuple[LineStanding, ...]
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()
    expected_on: date | UnsetType = UNSET
