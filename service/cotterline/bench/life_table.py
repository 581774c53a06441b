"""What the tables of lives share: which act is possible in a state, and the words where one is not."""

from collections.abc import Sequence
from typing import Protocol, TypeVar

from cotterline.bench.errors import CotterlineError


class Act(Protocol):
    """One line of a table: what is done, and in which states it is possible."""

    @property
    def action(self) -> str: ...  # noqa: D102 - as the class says

    @property
    def from_states(self) -> Sequence[str]: ...  # noqa: D102 - as the class says


Line = TypeVar("Line", bound=Act)


def possible(life: Sequence[Line], state: str) -> list[Line]:
    """The lines that are possible in a state, in their order."""
    return [act for act in life if state in act.from_states]


def act_from(life: Sequence[Line], noun: str, state: str, action: str) -> Line:
    """The line of an act that is done in a state.

    Args:
        life: the table.
        noun: what it is done to.
        state: in which that is.
        action: what is done.

    Raises:
        CotterlineError: ``wrong-state``, saying what is possible instead.
    """
    acts = possible(life, state)
    for act in acts:
        if act.action == action:
            return act
    names = ", ".join(act.action for act in acts) or "nothing"
    raise CotterlineError("wrong-state", f"The {noun} is {state}; what can be done with it now: {names}.")
