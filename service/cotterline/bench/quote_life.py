"""The life of a quote as one table: which act is possible in which state, and what state it leads to.

The service acts by this table, ``GET /v1/reference/quote-life`` documents it, and a test walks every pair of it.
Common practice of workshops, no source.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, Literal, get_args

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.life_table import act_from, possible

QuoteState = Literal["draft", "issued", "approved", "declined", "expired", "ordered", "closed"]
QuoteAction = Literal["issue", "approve", "extend", "decline", "expire", "order", "exchange", "close", "revise"]
STATES: Final[tuple[QuoteState, ...]] = get_args(QuoteState)


class QuoteAct(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the table.

    Attributes:
        action: what is done.
        from_states: the states in which it is possible.
        to_state: the state it leads to, the same from each; left out where the quote stays in the state it is in.
        meaning: what it says about the job.
    """

    action: QuoteAction
    from_states: tuple[QuoteState, ...]
    to_state: QuoteState | UnsetType = UNSET
    meaning: str


LIFE: Final[Sequence[QuoteAct]] = (
    QuoteAct(
        action="issue",
        from_states=("draft",),
        to_state="issued",
        meaning="The quote was given to the customer; it holds until expires_at.",
    ),
    QuoteAct(
        action="approve",
        from_states=("issued",),
        to_state="approved",
        meaning="The customer agreed, to a ceiling and to options.",
    ),
    QuoteAct(
        action="extend",
        from_states=("approved", "ordered"),
        meaning="The customer agreed to a higher ceiling, since the work goes beyond the one before.",
    ),
    QuoteAct(
        action="decline",
        from_states=("issued", "approved"),
        to_state="declined",
        meaning="The customer does not want the job, or no longer.",
    ),
    QuoteAct(
        action="expire",
        from_states=("issued",),
        to_state="expired",
        meaning="The offer ended unanswered. Happens by itself at expires_at; the shop may end it sooner.",
    ),
    QuoteAct(
        action="order",
        from_states=("approved",),
        to_state="ordered",
        meaning="The parts were ordered; refused without an approval, and while the result does not allow an order.",
    ),
    QuoteAct(
        action="exchange",
        from_states=("ordered",),
        meaning="Another spindle was taken, since the one that was fitted missed; what is agreed still holds.",
    ),
    QuoteAct(
        action="close",
        from_states=("draft", "issued", "approved", "declined", "expired", "ordered"),
        to_state="closed",
        meaning="Nothing more happens to the quote; no more is charged than was agreed.",
    ),
    QuoteAct(
        action="revise",
        from_states=("draft", "issued", "approved", "declined", "expired"),
        to_state="draft",
        meaning="A new revision was computed with the settings of now; what was agreed before no longer holds.",
    ),
)


def state_after(state: QuoteState, action: QuoteAction) -> QuoteState:
    """The state a quote is in once something was done to it.

    Raises:
        CotterlineError: ``wrong-state``, saying what is possible instead.

    >>> state_after("draft", "issue")
    'issued'
    """
    act = act_from(LIFE, "quote", state, action)
    return state if isinstance(act.to_state, UnsetType) else act.to_state


def actions_in(state: QuoteState) -> tuple[QuoteAction, ...]:
    """What can be done to a quote in a state.

    >>> actions_in("closed")
    ()
    """
    return tuple(act.action for act in possible(LIFE, state))


def state_at(state: QuoteState, expires_at: datetime | None, now: datetime) -> QuoteState:
    """The state at a time, from the state that was recorded last: an issued quote expires without anybody's doing."""
    lapsed = state == "issued" and expires_at is not None and expires_at <= now
    return "expired" if lapsed else state
