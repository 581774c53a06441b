"""A run's life goes by its table: every pair of state and act does what the table says, and nothing else."""

from typing import get_args

import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.bench.quote_run_life import (
    LIFE,
    OPEN,
    STATES,
    WORKED,
    QuoteRunAction,
    QuoteRunState,
    actions_in,
    state_after,
    state_by_itself,
)

ACTIONS: tuple[QuoteRunAction, ...] = get_args(QuoteRunAction)

# What each state allows, written out by hand beside the table.
ALLOWED: dict[QuoteRunState, dict[QuoteRunAction, QuoteRunState]] = {
    "receiving": {"pause": "paused", "cancel": "cancelled"},
    "working": {"pause": "paused", "cancel": "cancelled"},
    "paused": {"resume": "receiving", "cancel": "cancelled"},
    "finished": {},
    "cancelled": {},
}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("action", ACTIONS)
def test_each_act_leads_where_it_should_or_is_refused(state: QuoteRunState, action: QuoteRunAction) -> None:
    if action in ALLOWED[state]:
        assert state_after(state, action) == ALLOWED[state][action]
        return
    possible = ", ".join(ALLOWED[state]) or "nothing"
    with pytest.raises(CotterlineError, match=f"is {state}; what can be done with it now: {possible}") as refusal:
        state_after(state, action)
    assert refusal.value.code == "wrong-state"


@pytest.mark.parametrize("state", STATES)
def test_what_can_be_done_is_what_is_not_refused(state: QuoteRunState) -> None:
    assert list(actions_in(state)) == list(ALLOWED[state])
    assert (state in OPEN) == bool(ALLOWED[state])


def test_the_table_has_every_act_once_with_words() -> None:
    assert [act.action for act in LIFE] == [*ACTIONS]
    assert all(act.meaning.endswith(".") and act.from_states for act in LIFE)


@pytest.mark.parametrize("received", [True, False])
@pytest.mark.parametrize("answered", [True, False])
@pytest.mark.parametrize("state", STATES)
def test_only_a_run_that_is_worked_on_goes_on_by_itself(
    state: QuoteRunState,
    received: bool,  # noqa: FBT001 - a row of the table
    answered: bool,  # noqa: FBT001 - a row of the table
) -> None:
    found = state_by_itself(state, received=received, answered=answered)
    if state in WORKED and received:
        assert found == ("finished" if answered else "working")
    else:
        assert found == state


def test_every_state_is_reached() -> None:
    by_acts = {act.to_state for act in LIFE}
    by_itself = {state_by_itself("receiving", received=True, answered=each) for each in (True, False)}
    assert by_acts | by_itself == set(STATES)
