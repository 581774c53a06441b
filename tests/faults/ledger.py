"""What clients, supplier and subscriber saw and what the service kept, compared: a pure function."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple


class Post(NamedTuple):
    """One post as its receiver read it.

    Attributes:
        message_id: what names it.
        subject: id of the order it places, or position of the event it tells, as text.
        body: every byte of it.
        taken: whether the receiver answered in time that it has it.
    """

    message_id: str
    subject: str
    body: bytes
    taken: bool = True


class Order(NamedTuple):
    """An order as the service gives it: the quote it is of, and what became of its post."""

    quote: str
    outcome: str


class Event(NamedTuple):
    """An event as the service gives it; ``subject`` is what it is about, ``body`` its bytes."""

    position: int
    type: str
    subject: str
    body: bytes


class Ledger(NamedTuple):
    """Everything that was seen and kept.

    Attributes:
        accepted_quotes: id in each answer 201 to a quote.
        accepted_orders: of each quote, the ids in the answer 201 to its order.
        quotes: ids the service keeps.
        orders: what it keeps, by id.
        events: what it keeps, in order.
        supplied: posts the supplier read, whether or not it answered.
        told: posts the subscriber read.
        refused: calls that were refused though all they asked for was in order.
    """

    accepted_quotes: tuple[str, ...]
    accepted_orders: Mapping[str, tuple[str, ...]]
    quotes: tuple[str, ...]
    orders: Mapping[str, Order]
    events: tuple[Event, ...]
    supplied: tuple[Post, ...]
    told: tuple[Post, ...]
    refused: tuple[str, ...] = ()


class Verdict(NamedTuple):
    """What is wrong, a sentence each: lost, made twice, or other than it was."""

    lost: tuple[str, ...]
    doubled: tuple[str, ...]
    changed: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether nothing is."""
        return not (self.lost or self.doubled or self.changed)


def compare(ledger: Ledger) -> Verdict:
    """Return what was lost, doubled or changed.

    A post may come again, under the same id and byte for byte; what it names may not come under another id.

    >>> compare(Ledger((), {}, (), {}, (), (), ())).good
    True
    """
    return Verdict(tuple(_lost(ledger)), tuple(_doubled(ledger)), tuple(_changed(ledger)))


def _lost(ledger: Ledger) -> Iterator[str]:
    for quote in sorted({*ledger.accepted_quotes} - {*ledger.quotes}):
        yield f"quote {quote} was accepted and is not kept"
    promised = {one for ids in ledger.accepted_orders.values() for one in ids}
    for order in sorted(promised - ledger.orders.keys()):
        yield f"order {order} was accepted and is not kept"
    for order in sorted(ledger.orders.keys() - {post.subject for post in ledger.supplied if post.taken}):
        yield f"order {order} is kept and its supplier never took it"
    places = {event.position for event in ledger.events}
    for position in sorted({*range(1, max(places, default=0) + 1)} - places):
        yield f"no event has position {position}"
    for position in sorted(places - {int(post.subject) for post in ledger.told if post.taken}):
        yield f"event {position} was told to nobody who took it"
    said = {(event.type, event.subject) for event in ledger.events}
    for order in sorted(ledger.orders):
        for kind in ("order.placed", "order.sent"):
            if (kind, order) not in said:
                yield f"no event {kind} of order {order}"


def _doubled(ledger: Ledger) -> Iterator[str]:
    for quote in sorted({*ledger.quotes} - {*ledger.accepted_quotes}):
        yield f"quote {quote} is kept and no call was answered with it"
    yield from _again("quote", ledger.accepted_quotes, "answers two calls")
    yield from _again("quote", [order.quote for order in ledger.orders.values()], "was ordered twice")
    yield from _again("event", [str(event.position) for event in ledger.events], "is kept twice")
    kinds = [f"{event.type} of {event.subject}" for event in ledger.events if event.type.startswith("order.")]
    yield from _again("event", kinds, "is kept twice")
    for name, posts in (("order", ledger.supplied), ("event", ledger.told)):
        for subject, ids in sorted(_by_subject((post.subject, post.message_id) for post in posts).items()):
            if len(ids) > 1:
                yield f"{name} {subject} was posted under {len(ids)} ids"
    for order in sorted({post.subject for post in ledger.supplied} - ledger.orders.keys()):
        yield f"the supplier read order {order}, which is not kept"


def _changed(ledger: Ledger) -> Iterator[str]:
    yield from ledger.refused
    for name, posts in (("order", ledger.supplied), ("event", ledger.told)):
        for subject, bodies in sorted(_by_subject((post.subject, post.body) for post in posts).items()):
            if len(bodies) > 1:
                yield f"{name} {subject} was posted with {len(bodies)} different bodies"
    kept = {str(event.position): event.body for event in ledger.events}
    for post in ledger.told:
        if kept.get(post.subject) != post.body:
            yield f"event {post.subject} was told otherwise than it is kept"
    for order, row in sorted(ledger.orders.items()):
        if row.outcome != "sent":
            yield f"order {order} is kept and its outcome is {row.outcome}"
    for quote, ids in sorted(ledger.accepted_orders.items()):
        if {ledger.orders[one].quote for one in ids if one in ledger.orders} - {quote}:
            yield f"an order of quote {quote} is kept as another quote's"


def _by_subject(pairs: Iterable[tuple[str, str | bytes]]) -> dict[str, set[str | bytes]]:
    found: dict[str, set[str | bytes]] = defaultdict(set)
    for subject, seen in pairs:
        found[subject].add(seen)
    return found


def _again(noun: str, names: Iterable[str], words: str) -> Iterator[str]:
    met: set[str] = set()
    for name in names:
        if name in met:
            yield f"{noun} {name} {words}"
        met.add(name)
