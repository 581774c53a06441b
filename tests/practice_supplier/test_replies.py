"""What the practice supplier says follows from the document and its rules."""

from typing import Any, Literal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.money import Money
from cotterline.bench.orders import LineChange, OrderLine
from cotterline.bench.replies import PriceChanged, Reply, Statement
from cotterline.practice_supplier.replies import Message, to_change, to_order
from cotterline.practice_supplier.rules import RULE_NAMES, told_by
from tests.practice_supplier.orders import bolts, change, order, spindle, unit

SOON, LATER = "2024-05-06", "2024-05-24"


def said(messages: tuple[Message, ...]) -> list[list[dict[str, Any]]]:
    found: list[list[dict[str, Any]]] = msgspec.json.decode(msgspec.json.encode(messages))
    return found


def to(reference: str) -> list[list[dict[str, Any]]]:
    return said(to_order(order(reference), told_by(reference)))


@pytest.mark.parametrize(
    ("rules", "first"),
    [
        ("", [{"says": "accepted", "expected_on": SOON}]),
        ("accept", [{"says": "accepted", "expected_on": SOON}]),
        ("reject", [{"says": "rejected", "reason": "None of it is in the catalogue any more."}]),
        ("backorder", [{"says": "backordered", "expected_on": LATER}]),
        (
            "price-up",
            [
                {"says": "price_changed", "lines": [1], "unit_price": {"amount": "35.09", "currency": "EUR"}},
                {"says": "accepted", "lines": [2], "expected_on": SOON},
            ],
        ),
        (
            "in-part",
            [
                {"says": "accepted", "lines": [1], "expected_on": SOON},
                {"says": "accepted", "lines": [2], "quantity": 1, "expected_on": SOON},
                {"says": "backordered", "lines": [2], "quantity": 1, "expected_on": LATER},
            ],
        ),
    ],
)
def test_the_first_reply_is_what_its_rule_says(rules: str, first: list[dict[str, Any]]) -> None:
    assert to(f"Blue roadster [{rules}]") == [first]


def test_a_word_that_is_no_rule_gets_the_order_rejected_in_words() -> None:
    ((rejected,),) = to("[bakorder]")
    assert rejected["says"] == "rejected"
    assert "bakorder" in rejected["reason"]
    assert "backorder" in rejected["reason"]


@pytest.mark.parametrize(
    ("rules", "second"),
    [
        ("dispatch", [{"lines": [1, 2]}]),
        ("out-of-order", [{"lines": [1, 2]}]),
        ("backorder dispatch", [{}]),
        ("in-part dispatch", [{"lines": [1]}, {"lines": [2], "quantity": 1}]),
        ("substitute-good dispatch", [{"lines": [2]}]),
    ],
)
def test_what_was_accepted_is_dispatched_and_nothing_else(rules: str, second: list[dict[str, Any]]) -> None:
    dispatched = [{"says": "dispatched", "tracking": "PRACTICE-0001"} | each for each in second]
    assert to(f"[{rules}]")[1:] == [dispatched]


def test_nothing_follows_a_rejection() -> None:
    assert len(to("[reject dispatch]")) == 1


def test_a_contradiction_rejects_what_was_dispatched() -> None:
    assert [[each["says"] for each in message] for message in to("[contradict]")] == [
        ["accepted"],
        ["dispatched"],
        ["rejected"],
    ]


@pytest.mark.parametrize(
    ("rules", "done", "expected"),
    [
        ("", "take_substitute", [[{"says": "accepted", "lines": [1], "expected_on": SOON}]]),
        ("", "take_price", [[{"says": "accepted", "lines": [1], "expected_on": SOON}]]),
        (
            "dispatch",
            "take_substitute",
            [
                [{"says": "accepted", "lines": [1], "expected_on": SOON}],
                [{"says": "dispatched", "lines": [1], "tracking": "PRACTICE-0001"}],
            ],
        ),
        ("dispatch", "refuse", [[{"says": "rejected", "lines": [1], "reason": "There is no other."}]]),
        ("", "return", [[{"says": "returned", "lines": [1], "quantity": 1}]]),
        ("dispatch", "cancel", []),
    ],
)
def test_a_change_is_answered_by_what_it_says(
    rules: str,
    done: Literal["take_substitute", "take_price", "refuse", "cancel", "return"],
    expected: list[list[dict[str, Any]]],
) -> None:
    changed = change(LineChange(line=1, change=done, quantity=1))
    assert said(to_change(changed, told_by(f"[{rules}]"))) == expected


@pytest.mark.parametrize(("price", "raised"), [("31.90", "35.09"), ("0.01", "0.02"), ("0", "1"), ("99", "109")])
def test_a_higher_price_is_a_tenth_more_rounded_up_and_keeps_its_decimals(price: str, raised: str) -> None:
    dear = order("[price-up]", unit(1, price=price))
    (first, *_), *_ = to_order(dear, told_by(dear.reference))
    assert isinstance(first, PriceChanged)
    assert first.unit_price == Money(amount=raised, currency="EUR")


_UNITS = st.builds(
    lambda value, down, up, number: unit(number, spindle(value, value - down, value + up)),
    st.integers(206, 270).map(lambda halves: halves / 2),
    st.floats(0, 4),
    st.floats(0, 4),
    st.just(1),
)


@given(_UNITS, st.integers(1, 5), st.sets(st.sampled_from(RULE_NAMES), max_size=4))
def test_whatever_the_rules_each_message_is_a_reply_by_the_contract(
    first: OrderLine, pieces: int, rules: set[str]
) -> None:
    asked = order(f"[{' '.join(sorted(rules))}]", first, bolts(2, pieces))
    messages = to_order(asked, told_by(asked.reference))
    assert messages
    for message in messages:
        raw = b'{"at":"2024-05-03T12:00:00Z","says":' + msgspec.json.encode(message) + b"}"
        assert msgspec.json.decode(raw, type=Reply).says == message
        assert all(_of_lines(each) <= {1, 2} for each in message)


def _of_lines(statement: Statement) -> set[int]:
    return set(statement.lines or ())
