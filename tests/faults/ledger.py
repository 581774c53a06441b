"""What clients, supplier and subscriber saw and what the service kept, compared: a pure function."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

ONCE: Final = frozenset({"order.placed", "order.sent"})
"""Events that an order has one of."""


class Post(NamedTuple):
    """One post as its receiver read it.

    Attributes:
        message_id: what names it.
        subject: id of the order it places, with the change's behind it where it tells of one; or position of the event
            it tells, as text.
        body: every byte of it.
        taken: whether the receiver answered in time that it has it.
    """

    message_id: str
    subject: str
    body: bytes
    taken: bool = True


class Order(NamedTuple):
    """An order as the service gives it.

    Attributes:
        quote: that it is of.
        outcome: of its post.
        standing: its version and the state of each line.
        heard: how many replies about it are kept.
        changes: the lines that were changed, and how.
    """

    quote: str
    outcome: str
    standing: tuple[int, tuple[str, ...]] = (1, ())
    heard: int = 0
    changes: tuple[tuple[int, str], ...] = ()


class Event(NamedTuple):
    """An event as the service gives it.

    Attributes:
        position: among all.
        type: of it.
        subject: id of what it is about.
        body: every byte of it.
        standing: where it is about an order, its version and the state of each line.
    """

    position: int
    type: str
    subject: str
    body: bytes
    standing: tuple[int, tuple[str, ...]] = (1, ())


class Statement(NamedTuple):
    """What a supplier said of some lines of an order, or of all, and was told is kept."""

    says: str
    lines: tuple[int, ...] = ()


class Answers(NamedTuple):
    """What came back of many bicycles that were sent at once: how many were sent, and the number of each answer."""

    of: str
    sent: int
    numbers: tuple[int, ...]


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
        accepted_changes: of each order, the lines in answers 201 to its changes, and how they were changed.
        said: of each order, what its supplier said, in order.
        answers: of each stream that was read to its end, and of each run.
    """

    accepted_quotes: tuple[str, ...]
    accepted_orders: Mapping[str, tuple[str, ...]]
    quotes: tuple[str, ...]
    orders: Mapping[str, Order]
    events: tuple[Event, ...]
    supplied: tuple[Post, ...]
    told: tuple[Post, ...]
    refused: tuple[str, ...] = ()
    accepted_changes: Mapping[str, tuple[tuple[int, str], ...]] = MappingProxyType({})
    said: Mapping[str, tuple[Statement, ...]] = MappingProxyType({})
    answers: tuple[Answers, ...] = ()


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
        for kind in sorted(ONCE):
            if (kind, order) not in said:
                yield f"no event {kind} of order {order}"
    yield from _unheard(ledger)


def _unheard(ledger: Ledger) -> Iterator[str]:
    """What was said between shop and supplier once there was an order, and what was not answered of many bicycles."""
    for order, statements in sorted(ledger.said.items()):
        if order in ledger.orders and ledger.orders[order].heard < len(statements):
            yield f"of {len(statements)} replies about order {order} only {ledger.orders[order].heard} are kept"
    taken = {post.subject for post in ledger.supplied if post.taken and " " in post.subject}
    posts = Counter(subject.split()[0] for subject in taken)
    for order, changes in sorted(ledger.accepted_changes.items()):
        kept = ledger.orders[order].changes if order in ledger.orders else ()
        yield from (f"change {one} of order {order} is not kept" for one in sorted({*changes} - {*kept}))
        if posts[order] < len(changes):
            yield f"of {len(changes)} changes of order {order} its supplier took {posts[order]}"
    for answers in ledger.answers:
        missing = {*range(1, answers.sent + 1)} - {*answers.numbers}
        yield from (f"bicycle {one} of {answers.of} was not answered" for one in sorted(missing))


def _doubled(ledger: Ledger) -> Iterator[str]:
    for quote in sorted({*ledger.quotes} - {*ledger.accepted_quotes}):
        yield f"quote {quote} is kept and no call was answered with it"
    yield from _again("quote", ledger.accepted_quotes, "answers two calls")
    promised = {one for ids in ledger.accepted_orders.values() for one in ids}
    for order in sorted(ledger.orders.keys() - promised):
        yield f"order {order} is kept and no call was answered with it"
    yield from _again("event", [str(event.position) for event in ledger.events], "is kept twice")
    kinds = [f"{event.type} of {event.subject}" for event in ledger.events if event.type in ONCE]
    yield from _again("event", kinds, "is kept twice")
    for name, posts in (("order", ledger.supplied), ("event", ledger.told)):
        for subject, ids in sorted(_by_subject((post.subject, post.message_id) for post in posts).items()):
            if len(ids) > 1:
                yield f"{name} {subject} was posted under {len(ids)} ids"
    for order in sorted({post.subject.split()[0] for post in ledger.supplied} - ledger.orders.keys()):
        yield f"the supplier read order {order}, which is not kept"
    yield from _heard_again(ledger)


def _heard_again(ledger: Ledger) -> Iterator[str]:
    for order, row in sorted(ledger.orders.items()):
        if row.heard > len(ledger.said.get(order, ())):
            yield f"{row.heard} replies about order {order} are kept, more than were said"
        yield from _again(f"of order {order} change", [str(one) for one in row.changes], "is kept twice")
        changes = {str(one) for one in row.changes} - {str(one) for one in ledger.accepted_changes.get(order, ())}
        yield from (
            f"change {one} of order {order} is kept and no call was answered with it" for one in sorted(changes)
        )
    for answers in ledger.answers:
        yield from _again(f"of {answers.of} bicycle", [str(one) for one in answers.numbers], "is answered twice")


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
    yield from _stands_otherwise(ledger)


def _stands_otherwise(ledger: Ledger) -> Iterator[str]:
    last = {event.subject: event.standing for event in ledger.events}
    for order, row in sorted(ledger.orders.items()):
        lines = _lines(len(row.standing[1]), ledger.said.get(order, ()), ledger.accepted_changes.get(order, ()))
        if row.standing[1] != lines:
            yield f"order {order} stands at {row.standing[1]}, by what was said it is {lines}"
        if last.get(order, row.standing) != row.standing:
            yield f"order {order} is kept as {row.standing} and was last told as {last[order]}"


def _lines(count: int, said: Iterable[Statement], changes: Iterable[tuple[int, str]]) -> tuple[str, ...]:
    """Where each line stands if the last word on it holds, and what was given up stays so."""
    lines = ["open"] * count
    for statement in said:
        for number in statement.lines or range(1, count + 1):
            lines[number - 1] = statement.says
    for number, change in changes:
        if change == "cancel":
            lines[number - 1] = "cancelled"
    return tuple(lines)


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
