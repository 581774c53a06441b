"""A quote's life goes by its table: every pair of state and act does what the table says, and nothing else."""

from datetime import UTC, datetime, timedelta
from typing import get_args

import pytest

from cotterline.bench.errors import CotterlineError
from cotterline.bench.quote_life import LIFE, STATES, QuoteAction, QuoteState, actions_in, state_after, state_at

NOON = datetime(2024, 5, 1, 12, tzinfo=UTC)
ACTIONS: tuple[QuoteAction, ...] = get_args(QuoteAction)

# Common practice of workshops, no source: what each state allows, written out by hand beside the table.
ALLOWED: dict[QuoteState, dict[QuoteAction, QuoteState]] = {
    "draft": {"issue": "issued", "close": "closed", "revise": "draft"},
    "issued": {
        "approve": "approved",
        "decline": "declined",
        "expire": "expired",
        "close": "closed",
        "revise": "draft",
    },
    "approved": {
        "extend": "approved",
        "decline": "declined",
        "order": "ordered",
        "close": "closed",
        "revise": "draft",
    },
    "declined": {"close": "closed", "revise": "draft"},
    "expired": {"close": "closed", "revise": "draft"},
    "ordered": {"extend": "ordered", "exchange": "ordered", "close": "closed"},
    "closed": {},
}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("action", ACTIONS)
def test_each_act_leads_where_it_should_or_is_refused(state: QuoteState, action: QuoteAction) -> None:
    if action in ALLOWED[state]:
        assert state_after(state, action) == ALLOWED[state][action]
        return
    with pytest.raises(CotterlineError, match=state) as refusal:
        state_after(state, action)
    assert refusal.value.code == "wrong-state"


@pytest.mark.parametrize("state", STATES)
def test_what_can_be_done_is_what_is_not_refused(state: QuoteState) -> None:
    assert set(actions_in(state)) == set(ALLOWED[state])


def test_the_table_has_every_act_once_with_words_and_reaches_every_state() -> None:
    assert [act.action for act in LIFE] == [*ACTIONS]
    assert all(act.meaning.endswith(".") and act.from_states for act in LIFE)
    assert {"draft", *(act.to_state for act in LIFE if act.to_state)} == set(STATES)


def test_nothing_is_ordered_that_was_not_approved() -> None:
    assert [state for state in STATES if "order" in actions_in(state)] == ["approved"]
    assert [act.action for act in LIFE if act.to_state == "approved"] == ["approve"]


@pytest.mark.parametrize("state", STATES)
def test_only_an_issued_quote_expires_by_itself_and_only_once_its_time_has_come(state: QuoteState) -> None:
    instant = timedelta(microseconds=1)
    assert state_at(state, NOON, NOON - instant) == state
    assert state_at(state, NOON, NOON) == ("expired" if state == "issued" else state)
    assert state_at(state, None, NOON) == state
