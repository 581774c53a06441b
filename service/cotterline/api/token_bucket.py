"""How much a client may still ask for: a token bucket as a pure decision.

A bucket holds ``burst`` tokens when full and gains ``per_minute`` of them a minute; a request takes its cost or is
refused. All there is to know of a bucket is when it will be full again, so that is its whole state: one that was
never used, or not for long, is a full one.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated

import msgspec
from msgspec import Meta

_SECOND = timedelta(seconds=1)
_NOTHING = timedelta(0)


class Policy(msgspec.Struct, frozen=True):
    """A limit of one kind.

    Attributes:
        name: what it is called in the answer's headers.
        per_minute: tokens gained a minute; 0 is no limit.
        burst: tokens a full bucket holds.
    """

    name: str
    per_minute: Annotated[int, Meta(ge=0)]
    burst: Annotated[int, Meta(ge=1)]

    @property
    def interval(self) -> timedelta:
        """How long one token takes to come, to the microsecond."""
        return timedelta(minutes=1) / self.per_minute

    @property
    def window(self) -> int:
        """Whole seconds in which an empty bucket is full again.

        >>> Policy("key", per_minute=120, burst=30).window
        15
        """
        return seconds(self.interval * self.burst)


class Decision(msgspec.Struct, frozen=True, kw_only=True):
    """What a bucket says to a request.

    Attributes:
        policy: the limit it is a bucket of.
        remaining: whole tokens left.
        reset: seconds until it is full; where nothing is left, until the next token, and where the request was
            refused, until it would be allowed.
        retry_after: seconds until the request would be allowed; 0 where it is.
        full_at: the state to keep.
    """

    policy: Policy
    remaining: int
    reset: int
    retry_after: int
    full_at: datetime

    @property
    def allowed(self) -> bool:
        """Whether there was enough in it."""
        return self.retry_after == 0


def decide(full_at: datetime | None, now: datetime, cost: int, policy: Policy) -> Decision:
    """Take ``cost`` tokens out of the bucket, or leave it as it is where there are fewer.

    A state further ahead than an empty bucket can be was written under another clock or another policy; it counts as
    empty, so that it can hold a client up for no longer than a whole window.

    Args:
        full_at: when the bucket will be full; None for one never used.
        now: the time.
        cost: tokens the request takes, at most ``policy.burst``.
        policy: a limit; its ``per_minute`` is not 0.

    >>> from datetime import UTC
    >>> noon = datetime(2024, 5, 1, 12, tzinfo=UTC)
    >>> first = decide(None, noon, 1, Policy("key", per_minute=60, burst=2))
    >>> first.allowed, first.remaining, first.reset
    (True, 1, 1)
    """
    if cost > policy.burst:
        raise ValueError(f"no bucket of {policy.burst} ever holds {cost}")
    empty = policy.interval * policy.burst
    missing = min(max((full_at or now) - now, _NOTHING), empty)
    wanted = missing + policy.interval * cost
    if wanted > empty:
        wait = seconds(wanted - empty)
        left = (empty - missing) // policy.interval
        return Decision(policy=policy, remaining=left, reset=wait, retry_after=wait, full_at=now + missing)
    left = (empty - wanted) // policy.interval
    reset = seconds(wanted if left else wanted + policy.interval - empty)
    return Decision(policy=policy, remaining=left, reset=reset, retry_after=0, full_at=now + wanted)


def decide_together(
    states: Sequence[datetime | None], now: datetime, cost: int, policies: Sequence[Policy]
) -> tuple[Decision, ...]:
    """Take ``cost`` out of every bucket, or out of none where one of them refuses."""
    found = tuple(decide(state, now, cost, policy) for state, policy in zip(states, policies, strict=True))
    if all(decision.allowed for decision in found):
        return found
    untouched = (decide(state, now, 0, policy) for state, policy in zip(states, policies, strict=True))
    return tuple(left if decision.allowed else decision for decision, left in zip(found, untouched, strict=True))


def seconds(span: timedelta) -> int:
    """Whole seconds, rounded up: who waits that long has waited long enough.

    >>> seconds(timedelta(milliseconds=1)), seconds(timedelta(seconds=2))
    (1, 2)
    """
    return -(-span // _SECOND)
