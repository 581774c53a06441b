"""Where an order stands follows from what is known of it, never from when it became known."""

import random
from datetime import date
from itertools import permutations
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.orders import LineChange
from cotterline.bench.replies import HeardReply, LineState, OrderState, Question
from cotterline.bench.standing import Outcome, proposals, standing
from tests.bench.order_cases import decided, eur, heard, line, order, stands

ACCEPTED = {"says": "accepted"}
REJECTED = {"says": "rejected"}
DISPATCHED = {"says": "dispatched"}
RETURNED = {"says": "returned"}
LATER = {"says": "backordered", "expected_on": "2026-12-18"}
DEARER = {"says": "price_changed", "unit_price": {"amount": "23.50", "currency": "EUR"}}
OTHER = {"says": "substituted", "code": "X", "name": "Another"}
TWO = order(line(quantity=2))


def state(*replies: HeardReply, **other: Any) -> LineState:  # noqa: ANN401 - any argument
    return stands(*replies, **other).lines[0].state


def question(*replies: HeardReply, **other: Any) -> Question:  # noqa: ANN401 - any argument
    (asked,) = stands(*replies, **other).questions
    return asked


@pytest.mark.parametrize("outcome", ["waiting", "sent", "undelivered"])
def test_an_order_nobody_answered_stands_where_its_post_does(outcome: Outcome) -> None:
    found = stands(outcome=outcome)
    assert (found.state, found.lines[0].state) == (outcome, "open")


def test_an_order_withdrawn_before_it_was_sent_is_cancelled() -> None:
    found = stands(outcome="cancelled")
    assert (found.state, found.lines[0].state) == ("cancelled", "cancelled")


def test_a_reply_counts_even_where_the_post_seemed_to_fail() -> None:
    assert stands(heard("a", ACCEPTED), outcome="undelivered").state == "accepted"


@pytest.mark.parametrize(
    ("says", "line_state", "order_state"),
    [
        (ACCEPTED, "accepted", "accepted"),
        (ACCEPTED | {"quantity": 1}, "partly_accepted", "partly_accepted"),
        (LATER, "backordered", "backordered"),
        (DEARER, "in_question", "in_question"),
        (OTHER, "in_question", "in_question"),
        (REJECTED, "rejected", "rejected"),
        (DISPATCHED, "dispatched", "dispatched"),
        (DISPATCHED | {"quantity": 1}, "partly_dispatched", "partly_dispatched"),
        (RETURNED, "returned", "returned"),
    ],
)
def test_each_statement_puts_line_and_order_in_its_state(
    says: dict[str, Any], line_state: LineState, order_state: OrderState
) -> None:
    found = stands(heard("a", says), of=TWO)
    assert (found.lines[0].state, found.state) == (line_state, order_state)


def test_a_later_word_takes_the_place_of_an_earlier_one_until_something_is_on_its_way() -> None:
    assert state(heard("a", REJECTED), heard("b", ACCEPTED, minute=1)) == "accepted"
    assert state(heard("a", ACCEPTED), heard("b", LATER, minute=1)) == "backordered"
    assert state(heard("a", LATER), heard("b", ACCEPTED, minute=1)) == "accepted"
    assert state(heard("a", ACCEPTED), heard("b", REJECTED, minute=1)) == "rejected"


def test_an_acceptance_after_the_dispatch_changes_nothing_and_is_noted() -> None:
    found = stands(heard("a", DISPATCHED), heard("b", ACCEPTED, minute=1))
    assert (found.state, found.questions) == ("dispatched", ())
    assert found.notes == ("b says accepted of line 1, which is dispatched: nothing changes.",)


def test_the_suppliers_count_goes_before_its_clock() -> None:
    earlier_by_clock = heard("b", DISPATCHED, minute=0, sequence=2)
    assert state(heard("a", REJECTED, minute=5, sequence=1), earlier_by_clock) == "dispatched"
    by_count = stands(heard("a", REJECTED, minute=5, sequence=2), heard("b", ACCEPTED, minute=9, sequence=1))
    assert by_count.state == "rejected"
    by_clock = stands(heard("a", REJECTED, minute=5), heard("b", ACCEPTED, minute=9))
    assert by_clock.state == "accepted"


def test_counts_and_clocks_that_go_round_in_a_circle_still_have_one_order() -> None:
    """By count a before b, by clock b before c and c before a."""
    circle = [
        heard("a", ACCEPTED, minute=10, sequence=1),
        heard("b", LATER, minute=5, sequence=2),
        heard("c", REJECTED, minute=7),
    ]
    found = {msgspec.json.encode(stands(*some)) for some in permutations(circle)}
    assert len(found) == 1


def test_a_rejection_after_the_dispatch_is_put_to_a_person_and_the_dispatch_holds() -> None:
    replies = heard("a", DISPATCHED), heard("b", REJECTED, minute=1)
    found = stands(*replies)
    assert found.state == "dispatched"
    (asked,) = found.questions
    assert (asked.about, asked.message_id) == ("contradiction", "b")
    assert asked.words == ("Said to be rejected after it was dispatched (1 of 1 dispatched).",)


def test_a_person_says_which_of_two_contradictory_replies_holds() -> None:
    replies = heard("a", DISPATCHED), heard("b", REJECTED, minute=1)
    kept = stands(*replies, decisions=[decided("b", "contradiction", taken=False)])
    assert (kept.state, kept.questions) == ("dispatched", ())
    believed = stands(*replies, decisions=[decided("b", "contradiction", taken=True)])
    assert (believed.state, believed.questions) == ("rejected", ())
    assert believed.lines[0].dispatched == 0


def test_a_substitute_named_after_the_dispatch_is_put_to_a_person() -> None:
    replies = heard("a", DISPATCHED), heard("b", OTHER, minute=1)
    assert question(*replies).about == "contradiction"
    believed = stands(*replies, decisions=[decided("b", "contradiction", taken=True)])
    substitute = believed.lines[0].substitute
    assert not isinstance(substitute, msgspec.UnsetType)
    assert (believed.state, substitute.code) == ("dispatched", "X")


def test_goods_on_their_way_after_a_rejection_are_on_their_way_and_asked_about() -> None:
    found = stands(heard("a", REJECTED), heard("b", DISPATCHED, minute=1))
    assert (found.state, found.questions[0].about) == ("dispatched", "contradiction")


def test_goods_on_their_way_after_their_substitute_was_refused_are_asked_about() -> None:
    refused = [decided("a", "substitute", taken=False)]
    found = stands(heard("a", OTHER), heard("b", DISPATCHED, minute=1), decisions=refused)
    assert (found.state, found.questions[0].about) == ("dispatched", "contradiction")


def test_more_dispatched_than_ordered_is_asked_about_with_the_numbers() -> None:
    replies = heard("a", DISPATCHED | {"quantity": 2}), heard("b", DISPATCHED | {"quantity": 1}, minute=1)
    found = stands(*replies, of=TWO)
    assert found.lines[0].dispatched == 2
    assert found.questions[0].words == ("1 said to be dispatched, and 2 were before; 2 were ordered.",)


def test_pieces_dispatched_apart_add_up() -> None:
    one = DISPATCHED | {"quantity": 1}
    assert state(heard("a", one), of=TWO) == "partly_dispatched"
    found = stands(heard("a", one | {"tracking": "P1"}), heard("b", one | {"tracking": "P2"}, minute=1), of=TWO)
    assert (found.state, found.lines[0].tracking) == ("dispatched", "P1, P2")


def test_replies_of_one_count_that_differ_are_asked_about_and_the_more_advanced_holds() -> None:
    replies = heard("a", REJECTED, sequence=3), heard("b", ACCEPTED, sequence=3)
    found = stands(*replies)
    assert found.state == "accepted"
    assert found.questions[0].words == ("Messages under one count do not agree: a: rejected, b: accepted.",)
    chosen = stands(*replies, decisions=[decided("a", "contradiction", taken=True)])
    assert (chosen.state, chosen.questions) == ("rejected", ())
    denied = stands(*replies, decisions=[decided("b", "contradiction", taken=False)])
    assert (denied.state, denied.questions) == ("rejected", ())


def test_a_reply_repeated_under_another_name_but_one_count_is_no_contradiction() -> None:
    one = DISPATCHED | {"quantity": 1}
    found = stands(heard("a", one, sequence=1), heard("b", one, sequence=1), of=TWO)
    assert (found.lines[0].dispatched, found.questions) == (1, ())
    assert found.notes == ("b says again what a said.",)


def test_a_line_the_order_does_not_have_is_noted() -> None:
    found = stands(heard("a", ACCEPTED | {"lines": [1, 7]}))
    assert found.state == "accepted"
    assert found.notes == ("a speaks of line 7, which the order does not have.",)


def test_pieces_accepted_and_pieces_that_come_later_stand_side_by_side() -> None:
    one: dict[str, Any] = ACCEPTED | {"quantity": 1}
    for says in permutations([one, LATER]):
        found = stands(heard("a", *says), of=TWO)
        assert (found.state, found.lines[0].accepted, found.expected_on) == ("backordered", 2, date(2026, 12, 18))


def test_another_price_is_in_question_until_it_is_decided() -> None:
    reply = heard("a", ACCEPTED, DEARER)
    assert question(reply).words == ("One costs 23.50 EUR; agreed are 20.00 EUR.",)
    taken = stands(reply, decisions=[decided("a", "price", taken=True)])
    assert (taken.state, taken.lines[0].unit_price) == ("accepted", eur("23.50"))
    refused = stands(reply, decisions=[decided("a", "price", taken=False)])
    assert (refused.state, refused.lines[0].unit_price) == ("accepted", eur("20.00"))


def test_the_price_that_was_agreed_is_no_question() -> None:
    same = DEARER | {"unit_price": {"amount": "20.00", "currency": "EUR"}}
    assert stands(heard("a", ACCEPTED, same)).questions == ()


def test_a_substitute_is_accepted_once_taken_and_rejected_once_refused() -> None:
    reply = heard("a", OTHER | {"unit_price": {"amount": "19.00", "currency": "EUR"}})
    taken = stands(reply, decisions=[decided("a", "substitute", taken=True)])
    assert (taken.state, taken.lines[0].unit_price) == ("accepted", eur("19.00"))
    assert taken.lines[0].substitute == reply.reply.says[0]
    refused = stands(reply, decisions=[decided("a", "substitute", taken=False)])
    assert (refused.state, refused.lines[0].substitute) == ("rejected", msgspec.UNSET)


def test_a_newer_proposal_takes_the_place_of_one_nobody_decided_and_a_rejection_withdraws_it() -> None:
    newer = heard("b", OTHER | {"code": "Y"}, minute=1)
    assert question(heard("a", OTHER), newer).message_id == "b"
    assert stands(heard("a", OTHER), heard("b", REJECTED, minute=1)).questions == ()


def test_what_nobody_decided_is_proposed_and_what_somebody_did_is_not() -> None:
    replies = [heard("a", OTHER | {"lines": [1]}), heard("b", DEARER | {"lines": [2]}, minute=1)]
    both = order(line(), line(2))
    found = proposals(both, replies)
    assert [(item.message_id, item.line) for item in found] == [("a", 1), ("b", 2)]
    assert [item.message_id for item in proposals(both, replies, [decided("a", "substitute", taken=True)])] == ["b"]
    given_up = LineChange(line=1, change="cancel", quantity=1)
    assert [item.message_id for item in proposals(both, replies, changes=[given_up])] == ["b"]


def test_what_the_shop_gave_up_is_cancelled_unless_it_was_on_its_way() -> None:
    given_up = [LineChange(line=1, change="cancel", quantity=1)]
    assert stands(heard("a", ACCEPTED), changes=given_up).state == "cancelled"
    late = stands(heard("a", DISPATCHED), changes=given_up)
    assert late.state == "dispatched"
    assert late.questions[0].words == ("1 dispatched, although only 0 of 1 were still wanted.",)
    assert late.questions[0].message_id == "a"


def test_nothing_is_asked_any_more_of_what_the_shop_gave_up() -> None:
    given_up = [LineChange(line=1, change="cancel", quantity=1)]
    assert stands(heard("a", DEARER)).questions
    assert stands(heard("a", DEARER), changes=given_up).questions == ()


def test_too_many_pieces_stay_in_question_after_a_rejection() -> None:
    found = stands(heard("a", ACCEPTED | {"quantity": 3}), heard("b", REJECTED, minute=1), of=TWO)
    assert (found.state, found.questions[0].words) == ("rejected", ("3 said to be accepted; 2 were ordered.",))


def test_all_that_came_back_is_all_that_had_been_dispatched() -> None:
    found = stands(heard("a", DISPATCHED | {"quantity": 1}), heard("b", RETURNED, minute=1), of=TWO)
    assert found.lines[0].returned == 1


def test_of_two_pieces_one_given_up_and_one_dispatched_is_all_that_will_come() -> None:
    one = [LineChange(line=1, change="cancel", quantity=1)]
    found = stands(heard("a", DISPATCHED | {"quantity": 1}), of=TWO, changes=one)
    assert (found.state, found.questions) == ("dispatched", ())


def test_what_the_shop_sent_back_went_back_whether_or_not_the_supplier_says_so() -> None:
    pair = order(line(returnable=True), line(2, returnable=True), returns=1)
    back = [LineChange(line=2, change="return", quantity=1)]
    assert stands(heard("a", DISPATCHED), of=pair).state == "dispatched"
    assert stands(heard("a", DISPATCHED), of=pair, changes=back).state == "returned"
    assert stands(heard("a", DISPATCHED), heard("b", RETURNED | {"lines": [2]}, minute=1), of=pair).state == "returned"


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (ACCEPTED, None, "partly_accepted"),
        (REJECTED, None, "rejected"),
        (ACCEPTED, REJECTED, "partly_accepted"),
        (ACCEPTED, LATER, "backordered"),
        (REJECTED, LATER, "backordered"),
        (DISPATCHED, REJECTED, "partly_dispatched"),
        (DISPATCHED, None, "partly_dispatched"),
        (DISPATCHED, OTHER, "in_question"),
        (DISPATCHED, RETURNED, "dispatched"),
        (RETURNED, RETURNED, "returned"),
    ],
)
def test_the_order_stands_where_its_lines_do(
    first: dict[str, Any], second: dict[str, Any] | None, expected: OrderState
) -> None:
    says = [first | {"lines": [1]}, *([] if second is None else [second | {"lines": [2]}])]
    assert stands(heard("a", *says), of=order(line(), line(2))).state == expected


def test_the_order_is_expected_when_the_last_of_it_is_and_only_if_that_is_known() -> None:
    both = order(line(), line(2))
    first = ACCEPTED | {"lines": [1], "expected_on": "2026-12-01"}
    assert stands(heard("a", first), of=both).expected_on is msgspec.UNSET
    found = stands(heard("a", first, LATER | {"lines": [2]}), of=both)
    assert found.expected_on == date(2026, 12, 18)
    assert stands(heard("a", first, REJECTED | {"lines": [2]}), of=both).expected_on == date(2026, 12, 1)


STATEMENTS = st.sampled_from([ACCEPTED, REJECTED, DISPATCHED, RETURNED, LATER, DEARER, OTHER])
COUNTED = st.builds(
    lambda says, quantity, lines: (
        says
        | (
            {"quantity": quantity}
            if quantity and says["says"] not in {"price_changed", "substituted", "rejected"}
            else {}
        )
        | ({"lines": lines} if lines else {})
    ),
    STATEMENTS,
    st.sampled_from([0, 0, 1, 2, 3]),
    st.sampled_from([None, [1], [2], [1, 2], [3]]),
)


@st.composite
def _replies(draw: st.DrawFn) -> list[HeardReply]:
    return [
        heard(
            f"m{index}",
            *draw(st.lists(COUNTED, min_size=1, max_size=3)),
            minute=draw(st.integers(0, 5)),
            sequence=draw(st.sampled_from([None, 1, 2, 3])),
        )
        for index in range(draw(st.integers(0, 6)))
    ]


DECISIONS = st.lists(
    st.builds(
        lambda message, about, number, taken: decided(f"m{message}", about, number, taken=taken),
        st.integers(0, 5),
        st.sampled_from(["substitute", "price", "contradiction"]),
        st.integers(1, 2),
        st.booleans(),
    ),
    max_size=6,
)
CHANGES = st.lists(
    st.builds(
        LineChange, line=st.integers(1, 2), change=st.sampled_from(["cancel", "return"]), quantity=st.integers(1, 2)
    ),
    max_size=2,
)


@given(_replies(), DECISIONS, CHANGES, st.randoms(use_true_random=False))
def test_no_order_of_arrival_and_no_repetition_makes_a_difference(
    replies: list[HeardReply], decisions: list[Any], changes: list[LineChange], chance: random.Random
) -> None:
    pair = order(line(quantity=2), line(2))
    expected = standing(pair, "sent", replies, decisions, changes)
    again = [*replies, *(chance.choice(replies) for _ in range(3))] if replies else []
    for item in (again, decisions, changes):
        chance.shuffle(item)
    assert standing(pair, "sent", again, decisions, changes) == expected


@given(_replies(), DECISIONS, CHANGES)
def test_no_number_of_pieces_ever_goes_beyond_what_was_ordered(
    replies: list[HeardReply], decisions: list[Any], changes: list[LineChange]
) -> None:
    for found in standing(order(line(quantity=2), line(2)), "sent", replies, decisions, changes).lines:
        assert 0 <= found.returned <= found.dispatched <= found.accepted <= found.ordered


@given(_replies())
def test_everything_proposed_and_not_decided_is_a_question_and_deciding_it_closes_it(
    replies: list[HeardReply],
) -> None:
    pair = order(line(quantity=2), line(2))
    asked = {
        (item.message_id, item.line, item.about)
        for item in standing(pair, "sent", replies).questions
        if item.about != "contradiction"
    }
    found = proposals(pair, replies)
    names = {"substituted": "substitute", "price_changed": "price"}
    tag = {item: names[str(msgspec.to_builtins(item.statement)["says"])] for item in found}
    assert asked == {(item.message_id, item.line, tag[item]) for item in found}
    answers = [decided(item.message_id, tag[item], item.line, taken=False) for item in found]
    still = {(item.message_id, item.line) for item in proposals(pair, replies, answers)}
    assert not still & {(item.message_id, item.line) for item in found}
