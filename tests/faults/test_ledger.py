"""The comparison sees each thing that can go wrong, by itself."""

from collections.abc import Mapping
from typing import Any

import pytest

from tests.faults.ledger import Answers, Event, Ledger, Order, Post, Statement, compare

PLACED = Event(1, "order.placed", "o1", b"placed")
SENT = Event(2, "order.sent", "o1", b"sent")
POSTED = Post("msg_1", "o1", b"order")
WELL = Ledger(
    accepted_quotes=("q1",),
    accepted_orders={"q1": ("o1",)},
    quotes=("q1",),
    orders={"o1": Order("q1", "sent")},
    events=(PLACED, SENT),
    supplied=(POSTED, POSTED),
    told=(Post("evt_1", "1", b"placed"), Post("evt_2", "2", b"sent")),
)
ACCEPTED, DISPATCHED = Statement("accepted"), Statement("dispatched", (1,))
NOW = (3, ("dispatched", "cancelled"))
GIVEN_UP = Post("msg_2", "o1 c1", b"change")
ON = WELL._replace(
    orders={"o1": Order("q1", "sent", NOW, 2, ((2, "cancel"),))},
    events=(PLACED, SENT._replace(standing=NOW)),
    supplied=(POSTED, GIVEN_UP),
    accepted_changes={"o1": ((2, "cancel"),)},
    said={"o1": (ACCEPTED, DISPATCHED)},
    answers=(Answers("the run", 2, (1, 2)),),
)
"""Where supplier and shop went on talking, and bicycles were quoted many at once."""


def kept(**changes: Any) -> Ledger:  # noqa: ANN401 - any member of an order
    """That, with something else kept of the order."""
    return ON._replace(orders={"o1": ON.orders["o1"]._replace(**changes)})


LOST: Mapping[str, Ledger] = {
    "a quote": WELL._replace(quotes=()),
    "an order": WELL._replace(accepted_orders={"q1": ("o1", "o2")}),
    "a post": WELL._replace(supplied=()),
    "a post that was refused": WELL._replace(supplied=(POSTED._replace(taken=False),)),
    "an event": WELL._replace(events=(SENT,), told=WELL.told[1:]),
    "the last event": WELL._replace(events=(PLACED,), told=WELL.told[:1]),
    "the post of an event": WELL._replace(told=WELL.told[:1]),
    "a reply": kept(heard=1),
    "a change": kept(changes=()),
    "the post of a change": ON._replace(supplied=(POSTED,)),
    "the post of a change that was refused": ON._replace(supplied=(POSTED, GIVEN_UP._replace(taken=False))),
    "a bicycle": ON._replace(answers=(Answers("the run", 2, (1,)),)),
}
DOUBLED: Mapping[str, Ledger] = {
    "a quote": WELL._replace(quotes=("q1", "q2")),
    "an answer": WELL._replace(accepted_quotes=("q1", "q1")),
    "an order": WELL._replace(
        orders={"o1": Order("q1", "sent"), "o2": Order("q1", "sent")}, supplied=(POSTED, Post("msg_2", "o2", b"x"))
    ),
    "a post": WELL._replace(supplied=(POSTED, POSTED._replace(message_id="msg_2"))),
    "a post of nothing": WELL._replace(supplied=(POSTED, Post("msg_2", "o2", b"x"))),
    "an event": WELL._replace(
        events=(PLACED, SENT, SENT._replace(position=3)), told=(*WELL.told, Post("evt_3", "3", b"sent"))
    ),
    "a position": WELL._replace(events=(PLACED, SENT, SENT._replace(type="quote.issued"))),
    "the post of an event": WELL._replace(told=(*WELL.told, Post("evt_9", "2", b"sent"))),
    "a reply": kept(heard=3),
    "a change": kept(changes=((2, "cancel"), (2, "cancel"))),
    "a change nobody asked for": kept(changes=((2, "cancel"), (1, "return"))),
    "the post of a change": ON._replace(supplied=(POSTED, GIVEN_UP, GIVEN_UP._replace(message_id="msg_3"))),
    "the post of a change of nothing": ON._replace(supplied=(POSTED, GIVEN_UP, Post("msg_3", "o2 c2", b"x"))),
    "a bicycle": ON._replace(answers=(Answers("the run", 2, (1, 2, 2)),)),
}
CHANGED: Mapping[str, Ledger] = {
    "the bytes of an order": WELL._replace(supplied=(POSTED, POSTED._replace(body=b"other"))),
    "the bytes of an event": WELL._replace(told=(WELL.told[0], Post("evt_2", "2", b"other"))),
    "a call that was refused when repeated": WELL._replace(refused=("POST was refused",)),
    "an outcome": WELL._replace(orders={"o1": Order("q1", "waiting")}),
    "a quote": WELL._replace(orders={"o1": Order("q2", "sent")}),
    "the bytes of a change": ON._replace(supplied=(POSTED, GIVEN_UP, GIVEN_UP._replace(body=b"other"))),
    "a line": kept(standing=(3, ("accepted", "cancelled"))),
    "what was told last": ON._replace(events=(PLACED, SENT)),
}


@pytest.mark.parametrize("ledger", [WELL, ON])
def test_what_went_well_is_not_complained_of(ledger: Ledger) -> None:
    assert compare(ledger).good, compare(ledger)


@pytest.mark.parametrize("what", LOST)
def test_what_is_lost_is_seen(what: str) -> None:
    assert compare(LOST[what]).lost


@pytest.mark.parametrize("what", DOUBLED)
def test_what_is_doubled_is_seen(what: str) -> None:
    assert compare(DOUBLED[what]).doubled


@pytest.mark.parametrize("what", CHANGED)
def test_what_is_changed_is_seen(what: str) -> None:
    assert compare(CHANGED[what]).changed
