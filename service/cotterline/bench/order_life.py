"""The life of an order and of its lines as tables: what each state means, and what each statement does in which.

The standing of an order is computed by these tables, ``GET /v1/reference/order-life`` documents them, and tests walk
every pair of them. Common practice of trade in parts, no source.
"""

from typing import Final, Literal, get_args

import msgspec

from cotterline.bench.replies import LineState, OrderState, Says

Effect = Literal["applies", "late", "contradicts"]
"""A statement changes the line; comes too late to change it; or cannot be true beside what was said before."""


class LineStateMeaning(msgspec.Struct, frozen=True, kw_only=True):
    """One state of a line, the less advanced first."""

    state: LineState
    meaning: str


class LineAct(msgspec.Struct, frozen=True, kw_only=True):
    """What one kind of statement does to a line.

    Attributes:
        says: the statement.
        applies_in: the states in which it changes the line, or what is known of it.
        leads_to: the states it may lead to; besides them the line may stay as it is.
        contradicts_in: the states in which it cannot be true beside what was said; a person is asked, and the more
            advanced of the two states holds meanwhile. In all states left it comes late, and changes nothing.
        meaning: what it says about the line.
    """

    says: Says
    applies_in: tuple[LineState, ...]
    leads_to: tuple[LineState, ...]
    contradicts_in: tuple[LineState, ...] = ()
    meaning: str


class OrderStateMeaning(msgspec.Struct, frozen=True, kw_only=True):
    """One state of an order."""

    state: OrderState
    meaning: str


LINE_STATES: Final = (
    LineStateMeaning(state="open", meaning="The supplier has said nothing of it."),
    LineStateMeaning(state="in_question", meaning="Something else, or another price, was proposed and is not decided."),
    LineStateMeaning(state="rejected", meaning="It will not come; or what was proposed instead was refused."),
    LineStateMeaning(state="backordered", meaning="Some or all of it will come later."),
    LineStateMeaning(state="partly_accepted", meaning="Fewer pieces will come than were ordered."),
    LineStateMeaning(state="accepted", meaning="It will come."),
    LineStateMeaning(state="partly_dispatched", meaning="Some pieces are on their way, and some are not."),
    LineStateMeaning(state="dispatched", meaning="All that will come of it is on its way, or here."),
    LineStateMeaning(state="returned", meaning="Every piece that came went back."),
    LineStateMeaning(state="cancelled", meaning="The shop gave it up before any of it was dispatched."),
)
"""In the order of how far a line has come."""

_BEFORE_DISPATCH: Final[tuple[LineState, ...]] = (
    "open",
    "in_question",
    "rejected",
    "backordered",
    "partly_accepted",
    "accepted",
)
_SENT: Final[tuple[LineState, ...]] = ("partly_dispatched", "dispatched", "returned")

LINE_LIFE: Final = (
    LineAct(
        says="accepted",
        applies_in=(*_BEFORE_DISPATCH, "partly_dispatched"),
        leads_to=("accepted", "partly_accepted", "backordered"),
        meaning="It will come, or as many pieces of it as are stated.",
    ),
    LineAct(
        says="backordered",
        applies_in=(*_BEFORE_DISPATCH, "partly_dispatched"),
        leads_to=("backordered",),
        meaning="It will come later; a piece accepted before stays accepted.",
    ),
    LineAct(
        says="price_changed",
        applies_in=tuple(state for state in (*_BEFORE_DISPATCH, *_SENT) if state not in {"rejected", "returned"}),
        leads_to=("in_question",),
        meaning="It costs something else; in question until that is taken or refused.",
    ),
    LineAct(
        says="substituted",
        applies_in=_BEFORE_DISPATCH,
        leads_to=("in_question", "accepted", "rejected"),
        contradicts_in=_SENT,
        meaning="Something else would come; accepted once that is taken, rejected once it is refused.",
    ),
    LineAct(
        says="rejected",
        applies_in=_BEFORE_DISPATCH,
        leads_to=("rejected",),
        contradicts_in=_SENT,
        meaning="It will not come; what was proposed before is withdrawn.",
    ),
    LineAct(
        says="dispatched",
        applies_in=tuple(state for state in (*_BEFORE_DISPATCH, *_SENT) if state != "rejected"),
        leads_to=("partly_dispatched", "dispatched"),
        contradicts_in=("rejected",),
        meaning="It is on its way, or as many pieces of it as are stated, besides those before.",
    ),
    LineAct(
        says="returned",
        applies_in=tuple(state for state in (*_BEFORE_DISPATCH, *_SENT[:-1]) if state != "rejected"),
        leads_to=("dispatched", "partly_dispatched", "returned"),
        contradicts_in=("rejected",),
        meaning="It came back to the supplier, so it had been dispatched.",
    ),
)

ORDER_STATES: Final = (
    OrderStateMeaning(state="waiting", meaning="It has not reached the supplier yet."),
    OrderStateMeaning(state="sent", meaning="The supplier's server took it; nothing was said of it."),
    OrderStateMeaning(state="undelivered", meaning="It could not be delivered, and is not tried any more."),
    OrderStateMeaning(state="accepted", meaning="All that was not cancelled will come."),
    OrderStateMeaning(state="partly_accepted", meaning="Some of it will come; the rest was refused or not spoken of."),
    OrderStateMeaning(state="backordered", meaning="Some of it will come later, and nothing is on its way yet."),
    OrderStateMeaning(state="in_question", meaning="The supplier proposed something that nobody has decided."),
    OrderStateMeaning(state="rejected", meaning="Some or all of it will not come, and none of it was accepted."),
    OrderStateMeaning(state="partly_dispatched", meaning="Some of it is on its way, and some is not."),
    OrderStateMeaning(state="dispatched", meaning="All of it is on its way, or here."),
    OrderStateMeaning(state="returned", meaning="All that was to go back went back."),
    OrderStateMeaning(state="cancelled", meaning="The shop gave all of it up before any was dispatched."),
)

ADVANCE: Final[dict[LineState, int]] = {row.state: number for number, row in enumerate(LINE_STATES)}
"""How far a line in each state has come."""

_BY_SAYS: Final = {act.says: act for act in LINE_LIFE}


class OrderLife(msgspec.Struct, frozen=True, kw_only=True):
    """All of it.

    Attributes:
        order_states: what each means.
        line_states: what each means, the less advanced first.
        statements: what each does to a line.
    """

    order_states: tuple[OrderStateMeaning, ...] = ORDER_STATES
    line_states: tuple[LineStateMeaning, ...] = LINE_STATES
    statements: tuple[LineAct, ...] = LINE_LIFE


def effect(says: Says, state: LineState) -> Effect:
    """What a statement does to a line in a state.

    >>> effect("accepted", "dispatched"), effect("rejected", "dispatched"), effect("dispatched", "accepted")
    ('late', 'contradicts', 'applies')
    """
    act = _BY_SAYS[says]
    if state in act.applies_in:
        return "applies"
    return "contradicts" if state in act.contradicts_in else "late"


def act_of(says: Says) -> LineAct:
    """The line of the table for a kind of statement."""
    return _BY_SAYS[says]


SAYS: Final[tuple[Says, ...]] = get_args(Says)
