"""The life of a run as one table: which act is possible in which state, and what follows by itself.

The service acts by this table, and a test walks every pair of it.
"""

from collections.abc import Sequence
from typing import Final, Literal, get_args

import msgspec

from cotterline.bench.life_table import act_from, possible

QuoteRunState = Literal["receiving", "working", "paused", "finished", "cancelled"]
QuoteRunAction = Literal["pause", "resume", "cancel"]
STATES: Final[tuple[QuoteRunState, ...]] = get_args(QuoteRunState)


class QuoteRunAct(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the table.

    Attributes:
        action: what is done.
        from_states: the states in which it is possible.
        to_state: the state it leads to, the same from each.
        meaning: what becomes of the run.
    """

    action: QuoteRunAction
    from_states: tuple[QuoteRunState, ...]
    to_state: QuoteRunState
    meaning: str


LIFE: Final[Sequence[QuoteRunAct]] = (
    QuoteRunAct(
        action="pause",
        from_states=("receiving", "working"),
        to_state="paused",
        meaning="Nothing more is taken in or begun; what is being worked on is finished, and all answers stay.",
    ),
    QuoteRunAct(
        action="resume",
        from_states=("paused",),
        to_state="receiving",
        meaning="Bicycles are taken in again; where all are there already, the run is working or finished at once.",
    ),
    QuoteRunAct(
        action="cancel",
        from_states=("receiving", "working", "paused"),
        to_state="cancelled",
        meaning="Nothing more is done; bicycles and answers are thrown away.",
    ),
)

OPEN: Final[tuple[QuoteRunState, ...]] = ("receiving", "working", "paused")
"""The states of a run that has not ended."""

WORKED: Final[tuple[QuoteRunState, ...]] = ("receiving", "working")
"""The states in which bicycles are quoted."""


def state_after(state: QuoteRunState, action: QuoteRunAction) -> QuoteRunState:
    """The state a run is in once something was done to it, before what follows by itself.

    Raises:
        CotterlineError: ``wrong-state``, saying what is possible instead.

    >>> state_after("working", "pause")
    'paused'
    """
    return act_from(LIFE, "run", state, action).to_state


def actions_in(state: QuoteRunState) -> tuple[QuoteRunAction, ...]:
    """What can be done to a run in a state.

    >>> actions_in("finished")
    ()
    """
    return tuple(act.action for act in possible(LIFE, state))


def state_by_itself(state: QuoteRunState, *, received: bool, answered: bool) -> QuoteRunState:
    """The state that follows without anybody's doing.

    Args:
        state: the state before.
        received: whether every bicycle has come in.
        answered: whether every bicycle that came in was answered.

    >>> state_by_itself("receiving", received=True, answered=False)
    'working'
    """
    if state not in WORKED or not received:
        return state
    return "finished" if answered else "working"
