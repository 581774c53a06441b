"""The table of an order's life is what the service goes by: every pair of state and statement does what it says."""

from typing import Any, get_args

import msgspec
import pytest

from cotterline.bench.line_progress import Decisions, LineProgress, Said, after
from cotterline.bench.order_life import ADVANCE, LINE_LIFE, LINE_STATES, ORDER_STATES, SAYS, OrderLife, act_of, effect
from cotterline.bench.replies import LineState, OrderState, Says, Statement
from tests.bench.order_cases import line

BODIES: dict[Says, dict[str, Any]] = {
    "accepted": {},
    "backordered": {"expected_on": "2026-12-18"},
    "price_changed": {"unit_price": {"amount": "23.50", "currency": "EUR"}},
    "substituted": {"code": "X", "name": "Another"},
    "rejected": {},
    "dispatched": {},
    "returned": {},
}
REACHED: dict[LineState, tuple[dict[str, Any], ...]] = {
    "open": (),
    "in_question": ({"says": "substituted", "code": "Y", "name": "Proposed"},),
    "rejected": ({"says": "rejected"},),
    "backordered": ({"says": "backordered", "expected_on": "2026-12-01"},),
    "partly_accepted": ({"says": "accepted", "quantity": 1},),
    "accepted": ({"says": "accepted"},),
    "partly_dispatched": ({"says": "dispatched", "quantity": 1},),
    "dispatched": ({"says": "dispatched"},),
    "returned": ({"says": "dispatched"}, {"says": "returned"}),
}
UNDECIDED = Decisions(())


def said(body: dict[str, Any], name: str = "m") -> Said:
    return Said(name, msgspec.convert(body, Statement))


def in_state(state: LineState) -> LineProgress:
    progress = LineProgress.of(line(quantity=2))
    for body in REACHED[state]:
        progress = after(progress, said(body, "before"), UNDECIDED)
    assert progress.state == state
    return progress


def test_every_state_and_every_statement_stands_in_the_table_once() -> None:
    assert sorted(row.state for row in LINE_STATES) == sorted(get_args(LineState))
    assert sorted(row.state for row in ORDER_STATES) == sorted(get_args(OrderState))
    assert [act.says for act in LINE_LIFE] == [*SAYS]
    assert OrderLife().statements == LINE_LIFE


@pytest.mark.parametrize("state", REACHED)
@pytest.mark.parametrize("says", SAYS)
def test_a_statement_does_in_each_state_what_the_table_says(says: Says, state: LineState) -> None:
    before = in_state(state)
    found = after(before, said({"says": says} | BODIES[says]), UNDECIDED)
    match effect(says, state):
        case "late":
            assert found == before
        case "contradicts":
            assert len(found.contradictions) == 1
            assert ADVANCE[found.state] >= ADVANCE[before.state]
        case "applies":
            assert found.contradictions == ()
            assert found.state in {state, *act_of(says).leads_to}


@pytest.mark.parametrize(
    ("says", "state", "expected"),
    [
        ("accepted", "dispatched", "late"),
        ("accepted", "rejected", "applies"),
        ("rejected", "partly_dispatched", "contradicts"),
        ("substituted", "dispatched", "contradicts"),
        ("dispatched", "rejected", "contradicts"),
        ("dispatched", "in_question", "applies"),
        ("backordered", "dispatched", "late"),
        ("returned", "dispatched", "applies"),
        ("price_changed", "dispatched", "applies"),
        ("accepted", "cancelled", "late"),
    ],
)
def test_what_the_table_says_of_the_pairs_that_matter(says: Says, state: LineState, expected: str) -> None:
    assert effect(says, state) == expected
