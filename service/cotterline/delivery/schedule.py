"""When a post is tried again, and when it is given up: a decision from what came of it, without clock or chance."""

import re
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Final, Literal

import msgspec

SCHEDULE: Final = (
    timedelta(0),
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
"""How long to wait before each try: the first at once, the tenth a day after the ninth, and no eleventh."""

JITTER: Final = 0.2
"""By which share a wait is stretched or cut, so that what failed together is not tried together for ever."""

FLOOR: Final = timedelta(seconds=60)
"""Least wait for a receiver that was too slow or said that it has too much to do."""

LONGEST_WAIT: Final = 2 * SCHEDULE[-1]
"""What a receiver can ask for at most."""

FAILING: Final = timedelta(days=5)
"""A receiver that fails for so long without a success in between is disabled."""

GONE: Final = 410
TOO_MANY: Final = 429
_SUCCESS: Final = range(200, 300)
_SECONDS: Final = re.compile(r"[0-9]{1,9}", re.ASCII)

Outcome = Literal["delivered", "again", "failed", "gone"]


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What a receiver answered.

    Attributes:
        status: of HTTP.
        retry_after: its header of that name, if it gave one.
        body: its beginning, 64 KB at most.
        whole: whether that is all of it.
    """

    status: int
    retry_after: str | None = None
    body: bytes = b""
    whole: bool = True


class Trouble(msgspec.Struct, frozen=True, kw_only=True):
    """Why there was no answer.

    Attributes:
        kind: ``timeout``; ``address``, one that may not be posted to; ``certificate``; ``connection``, any other
            failure on the way; ``setup``, something of the shop's or the operator's that is missing on this side.
        words: for a person; nothing secret.
    """

    kind: Literal["timeout", "address", "certificate", "connection", "setup"]
    words: str


class Decision(msgspec.Struct, frozen=True, kw_only=True):
    """What becomes of a delivery.

    Attributes:
        outcome: ``delivered``; tried ``again``; ``failed``, after the last try; ``gone``, where the receiver wants
            nothing more of anything.
        due_at: when it is tried again.
    """

    outcome: Outcome
    due_at: datetime | None = None


def decided(came: Answer | Trouble, tries: int, now: datetime, chance: float) -> Decision:
    """Return what becomes of a delivery after a try.

    Args:
        came: what came of it. Only a status from 200 to 299 is a success; a redirect is not followed.
        tries: how many there were since it was made or somebody asked for a fresh start, this one included.
        now: when it was over.
        chance: evenly from 0 up to 1.

    >>> now = datetime(2024, 5, 1, 12, tzinfo=UTC)
    >>> (decided(Answer(status=500), 1, now, 0.5).due_at - now).total_seconds()
    5.0
    >>> decided(Answer(status=500), 10, now, 0.5).outcome
    'failed'
    """
    if succeeded(came):
        return Decision(outcome="delivered")
    if isinstance(came, Answer) and came.status == GONE:
        return Decision(outcome="gone")
    if tries >= len(SCHEDULE):
        return Decision(outcome="failed")
    return Decision(outcome="again", due_at=now + _wait(came, SCHEDULE[max(tries, 1)], now, chance))


def succeeded(came: Answer | Trouble) -> bool:
    """Whether the receiver has taken what was posted."""
    return isinstance(came, Answer) and came.status in _SUCCESS


def has_failed_too_long(failing_since: datetime, now: datetime) -> bool:
    """Whether a receiver that fails still, and has since then, is to be disabled."""
    return now - failing_since >= FAILING


def _wait(came: Answer | Trouble, base: timedelta, now: datetime, chance: float) -> timedelta:
    asked = _asked(came.retry_after, now) if isinstance(came, Answer) and came.retry_after else None
    stretched = base * (1 - JITTER + 2 * JITTER * chance)
    wait = stretched if asked is None else min(max(asked, base), 2 * base)
    return max(wait, FLOOR) if _overtaxed(came) else wait


def _overtaxed(came: Answer | Trouble) -> bool:
    return came.status == TOO_MANY if isinstance(came, Answer) else came.kind == "timeout"


def _asked(retry_after: str, now: datetime) -> timedelta | None:
    """Read the header (RFC 9110, section 10.2.3): seconds or a date; None for what is neither."""
    text = retry_after.strip()
    if _SECONDS.fullmatch(text):
        return timedelta(seconds=int(text))
    try:
        named = parsedate_to_datetime(text)
    except (ValueError, OverflowError):  # the second for a year or an hour beyond any measure
        return None
    return (named if named.tzinfo else named.replace(tzinfo=UTC)) - now
