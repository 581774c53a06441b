"""What the practice supplier can be told to do: words in brackets in an order's reference, each a line of one table."""

import re
from collections.abc import Iterator
from typing import Final, Literal, NamedTuple, get_args

import msgspec
from msgspec import UnsetType

RuleName = Literal[
    "accept",
    "reject",
    "substitute-good",
    "substitute-bad",
    "substitute-unknown",
    "price-up",
    "backorder",
    "in-part",
    "dispatch",
    "contradict",
    "slow",
    "fail-twice",
    "drop",
    "gone",
    "answer-at-once",
    "reply-twice",
    "out-of-order",
    "late",
]
RULE_NAMES: Final[tuple[RuleName, ...]] = get_args(RuleName)

ORDERS: Final = "/orders"
"""The path that orders are posted to."""

SIGNING_SECRET: Final = "whsec_cHJhY3RpY2Ugc3VwcGxpZXI6IG9yZGVycyBhcmUgc2lnbmVkIHdpdGggdGhpcw=="  # noqa: S105 - published
REPLY_SECRET: Final = "whsec_cHJhY3RpY2Ugc3VwcGxpZXI6IHJlcGxpZXMgYXJlIHNpZ25lZCB3aXRoIHRoaXM="  # noqa: S105 - published
CREDENTIAL: Final = "practice-credential"
"""Constants that everybody may know: they guard nothing but orders for parts that do not exist."""


class PracticeRule(msgspec.Struct, frozen=True, kw_only=True):
    """One thing the practice supplier can be told to do.

    Attributes:
        rule: the word for it.
        shapes: what it is about: what the ``reply`` says, what ``follows`` it, how the ``post`` is answered, or in what
            ``manner`` replies come. Rules of different kinds go together; of several about the reply the first in this
            table counts.
        meaning: what happens.
    """

    rule: RuleName
    shapes: Literal["reply", "follows", "post", "manner"]
    meaning: str


RULES: Final[tuple[PracticeRule, ...]] = (
    PracticeRule(
        rule="reject",
        shapes="reply",
        meaning="No line will come.",
    ),
    PracticeRule(
        rule="substitute-good",
        shapes="reply",
        meaning=(
            "Another unit is proposed, every property stated and within what the order allows; the other lines are "
            "accepted."
        ),
    ),
    PracticeRule(
        rule="substitute-bad",
        shapes="reply",
        meaning="The same with a spindle 5 mm longer than the longest the order allows.",
    ),
    PracticeRule(
        rule="substitute-unknown",
        shapes="reply",
        meaning="The same without a word about the length of the spindle.",
    ),
    PracticeRule(
        rule="price-up",
        shapes="reply",
        meaning="The first line costs a tenth more; the other lines are accepted.",
    ),
    PracticeRule(
        rule="backorder",
        shapes="reply",
        meaning="Every line comes three weeks after the day of the order.",
    ),
    PracticeRule(
        rule="in-part",
        shapes="reply",
        meaning="Of each line of several pieces, one comes three weeks late; all else is accepted.",
    ),
    PracticeRule(
        rule="accept",
        shapes="reply",
        meaning="Every line is accepted. What happens where no other rule shapes the reply.",
    ),
    PracticeRule(
        rule="dispatch",
        shapes="follows",
        meaning="A second reply says that what was accepted is on its way.",
    ),
    PracticeRule(
        rule="contradict",
        shapes="follows",
        meaning="The same, and a third reply then says that no line will come.",
    ),
    PracticeRule(
        rule="slow",
        shapes="post",
        meaning="The post is answered after four seconds.",
    ),
    PracticeRule(
        rule="fail-twice",
        shapes="post",
        meaning="The first two posts are answered with 500 and forgotten, the third is taken.",
    ),
    PracticeRule(
        rule="drop",
        shapes="post",
        meaning="The order is taken, but the connection is closed without an answer the first time it comes.",
    ),
    PracticeRule(
        rule="gone",
        shapes="post",
        meaning="Every post is answered with 410: the receiver is to be disabled.",
    ),
    PracticeRule(
        rule="answer-at-once",
        shapes="manner",
        meaning="The first reply is the answer to the post itself.",
    ),
    PracticeRule(
        rule="reply-twice",
        shapes="manner",
        meaning="Every reply is sent twice under the same id.",
    ),
    PracticeRule(
        rule="out-of-order",
        shapes="manner",
        meaning="What was accepted is dispatched, and replies arrive the last one first.",
    ),
    PracticeRule(
        rule="late",
        shapes="manner",
        meaning="Replies come twenty times as late as usual.",
    ),
)

_SHAPES: Final = {each.rule: each.shapes for each in RULES}
_BRACKETS: Final = re.compile(r"\[([^\[\]]*)\]")


class Told(NamedTuple):
    """What a reference asks for.

    Attributes:
        rules: those named.
        unknown: words in brackets that are no rule.
    """

    rules: frozenset[RuleName]
    unknown: tuple[str, ...]

    @property
    def reply(self) -> RuleName:
        """The rule that shapes the reply."""
        shaping = (each.rule for each in RULES if each.shapes == "reply" and each.rule in self.rules)
        return next(shaping, "accept")


def told_by(reference: str | UnsetType) -> Told:
    """Read the rules out of an order's reference; one without brackets asks for nothing special.

    >>> told_by("Blue roadster [backorder reply-twice]").reply
    'backorder'
    >>> told_by("Blue roadster [bakorder]").unknown
    ('bakorder',)
    """
    words = [] if isinstance(reference, UnsetType) else list(_words(reference))
    known = frozenset(word for word in words if word in _SHAPES)
    return Told(known, tuple(word for word in words if word not in _SHAPES))


def _words(reference: str) -> Iterator[str]:
    for inside in _BRACKETS.findall(reference):
        yield from inside.replace(",", " ").lower().split()
