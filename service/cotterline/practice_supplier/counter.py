"""The practice supplier's counter: takes each message once, remembers orders, and says what is to be answered."""

from collections import OrderedDict
from datetime import datetime, timedelta
from typing import Final, NamedTuple
from uuid import UUID

import msgspec
from msgspec import UNSET

from cotterline.bench.orders import OrderChangeDocument, OrderDocument
from cotterline.bench.replies import Reply
from cotterline.practice_supplier import replies
from cotterline.practice_supplier.postbox import Letter, target
from cotterline.practice_supplier.replies import Message
from cotterline.practice_supplier.rules import Told, told_by

Document = OrderDocument | OrderChangeDocument

SLOW_SECONDS: Final = 4.0
_LATE: Final = 20
_FAILURES: Final = 2
_REMEMBERED: Final = 10_000
"""Messages and orders; the oldest is forgotten first."""


class Answer(NamedTuple):
    """What a post is answered with, and what is sent afterwards.

    Attributes:
        status: 0 closes the connection without an answer.
        body: of the answer.
        after: seconds to wait before it.
        letters: replies to send once it is given.
    """

    status: int
    body: bytes
    after: float = 0.0
    letters: tuple[Letter, ...] = ()


class _Known:
    """An order that was taken: its rules, and how often something was said about it."""

    def __init__(self, told: Told) -> None:
        self.told = told
        self.said = 0


class Counter:
    """Takes posts whose signature was found right.

    Args:
        service: address of the service that replies go to; without one they go to this machine alone.
        pace: seconds between one reply and the next.
    """

    def __init__(self, service: str, pace: float) -> None:
        self._service = service
        self._pace = pace
        self._posts: OrderedDict[str, int] = OrderedDict()
        self._taken: OrderedDict[str, Answer] = OrderedDict()
        self._orders: OrderedDict[UUID, _Known] = OrderedDict()

    def serve(self, message_id: str, body: bytes, now: datetime) -> Answer:
        """Take one post, or say what becomes of it."""
        try:
            document = msgspec.json.decode(body, type=Document)
        except msgspec.MsgspecError:
            return _note(
                202, "Signature right. This is not the service's own JSON document, so no rules are looked for."
            )
        tries = self._posts[message_id] = self._posts.get(message_id, 0) + 1
        _shrink(self._posts)
        if isinstance(document, OrderChangeDocument):
            return self._change(message_id, document, now)
        return self._order(message_id, document, tries, now)

    def _order(self, message_id: str, order: OrderDocument, tries: int, now: datetime) -> Answer:
        told = told_by(order.reference)
        after = SLOW_SECONDS if "slow" in told.rules else 0.0
        if "gone" in told.rules:
            return _note(410, "This address takes no orders any more.", after)
        if "fail-twice" in told.rules and tries <= _FAILURES:
            return _note(500, f"Failure {tries} of {_FAILURES}, as asked for.", after)
        if message_id in self._taken:
            return self._taken[message_id]
        if order.order_id in self._orders:
            return _note(200, "This order was taken before, under another message id; nothing more comes of it.")
        known = self._orders[order.order_id] = _Known(told)
        _shrink(self._orders)
        said = self._stamped(replies.to_order(order, told), known, now)
        answer = _note(202, "The order was taken.", after)
        if "answer-at-once" in told.rules:
            answer = Answer(200, msgspec.json.encode(said[0]), after)
            said = said[1:]
        self._keep(message_id, answer)
        letters = self._letters(order, order.order_id, said, told)
        return answer._replace(status=0 if "drop" in told.rules else answer.status, letters=letters)

    def _change(self, message_id: str, change: OrderChangeDocument, now: datetime) -> Answer:
        if message_id in self._taken:
            return self._taken[message_id]
        known = self._orders.get(change.order_id)
        told = known.told if known else told_by(UNSET)
        said = self._stamped(replies.to_change(change, told), known, now)
        answer = _note(202, "The change was taken.")
        self._keep(message_id, answer)
        return answer._replace(letters=self._letters(change, change.change_id, said, told))

    def _keep(self, message_id: str, answer: Answer) -> None:
        """Remember what a message was answered with, for when it comes again."""
        self._taken[message_id] = answer
        _shrink(self._taken)

    def _stamped(self, messages: tuple[Message, ...], known: _Known | None, now: datetime) -> list[Reply]:
        """Messages with their place in what is said of the order; one not remembered has no count to go on from."""
        stamped = []
        for number, says in enumerate(messages):
            if known:
                known.said += 1
            at = now + timedelta(milliseconds=number)
            stamped.append(Reply(at=at, says=says, sequence=known.said if known else UNSET))
        return stamped

    def _letters(self, document: Document, about: UUID, said: list[Reply], told: Told) -> tuple[Letter, ...]:
        to = target(document.reply_to, self._service)
        if to is None:
            return ()
        after = self._pace * (_LATE if "late" in told.rules else 1)
        letters = [Letter(to, f"reply_{about.hex}_{number}", reply, after) for number, reply in enumerate(said, 1)]
        if "out-of-order" in told.rules:
            letters.reverse()
        return tuple(letter for letter in letters for _ in range(2 if "reply-twice" in told.rules else 1))


def _note(status: int, words: str, after: float = 0.0) -> Answer:
    return Answer(status, msgspec.json.encode({"practice_supplier": words}), after)


def _shrink(kept: OrderedDict[str, int] | OrderedDict[str, Answer] | OrderedDict[UUID, _Known]) -> None:
    while len(kept) > _REMEMBERED:
        kept.popitem(last=False)
