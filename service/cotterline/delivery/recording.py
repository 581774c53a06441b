"""What follows from a try: kept in one transaction with everything it means for the receiver and for the order."""

from datetime import datetime
from typing import Final

import msgspec

from cotterline.bench.replies import HeardReply, Reply
from cotterline.delivery import inbound, receiver_events
from cotterline.delivery.schedule import FAILING, Answer, Outcome, Trouble, decided, has_failed_too_long, succeeded
from cotterline.store import delivery_claims, receivers
from cotterline.store.database import WriteTransaction
from cotterline.store.deliveries import Attempt
from cotterline.store.delivery_claims import Claimed

KEPT: Final = 2048
"""How much of an answer is kept."""

GONE: Final = "It answered that it is gone for good (410)."
FAILING_LONG: Final = f"Every post for {FAILING.days} days has failed."


class Tried(msgspec.Struct, frozen=True, kw_only=True):
    """One try.

    Attributes:
        came: what came of it.
        started_at: when it was begun.
        ended_at: when it was over.
        chance: evenly from 0 up to 1, for the wait until the next.
    """

    came: Answer | Trouble
    started_at: datetime
    ended_at: datetime
    chance: float


async def record(tx: WriteTransaction, claimed: Claimed, tried: Tried, *, heed_reply: bool = True) -> Outcome | None:
    """Keep what came of a try and all that follows from it.

    Args:
        tx: of the delivery's own tenant.
        claimed: the delivery, whose claim must still stand.
        tried: the try.
        heed_reply: whether a reply in the answer is taken in.

    Returns:
        What became of the delivery; None where the claim had run out, so that it is for somebody else to say.
    """
    held = await delivery_claims.is_held(tx, claimed)
    await delivery_claims.note_attempt(tx, claimed, _attempt(claimed, tried))
    if not held:
        return None
    at = tried.ended_at
    decision = decided(tried.came, claimed.attempts - claimed.round_began_after, at, tried.chance)
    if decision.due_at is None:
        await _note_order(tx, claimed, decision.outcome, at)
    reply = reply_in(tried.came) if heed_reply and claimed.kind != "event" else None
    if reply is not None:
        heard = HeardReply(message_id=answer_id(claimed.message_id), reply=reply)
        await inbound.receive(tx, claimed.subject_id, heard, "answer", claimed.receiver_name, at)
    # The receiver comes last: whoever tells of something counts the event first and looks at the receivers then.
    off = await _note_receiver(tx, claimed, tried.came, decision.outcome, at)
    if decision.due_at is None:
        await delivery_claims.finish(tx, claimed, "delivered" if decision.outcome == "delivered" else "failed", at)
    elif off:
        await delivery_claims.hold(tx, claimed)
    else:
        await delivery_claims.reschedule(tx, claimed, decision.due_at)
    return decision.outcome


def reply_in(came: Answer | Trouble) -> Reply | None:
    """The reply that a supplier gave in answer to the post itself: a body that is one to the letter, or nothing."""
    if not isinstance(came, Answer) or not came.whole or not succeeded(came):
        return None
    try:
        return msgspec.json.decode(came.body, type=Reply, strict=True)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None


def answer_id(message_id: str) -> str:
    """What names the reply in an answer; a callback cannot bear it, as its id has no full stop.

    >>> answer_id("msg_1")
    'answer.msg_1'
    """
    return f"answer.{message_id}"


async def _note_receiver(
    tx: WriteTransaction, claimed: Claimed, came: Answer | Trouble, outcome: Outcome, at: datetime
) -> bool:
    """Keep whether the receiver is well, disable it where it must be; tell whether it is disabled."""
    kind, name = claimed.receiver_kind, claimed.receiver_name
    if outcome == "delivered":
        await receivers.note_success(tx, kind, name)
        return False
    if isinstance(came, Trouble) and came.kind == "setup":
        return False
    failing = await receivers.note_failure(tx, kind, name, at)
    if failing is None or failing.disabled_at is not None:
        return failing is not None
    gone = outcome == "gone"
    if gone or (failing.failing_since is not None and has_failed_too_long(failing.failing_since, at)):
        await receiver_events.disable(tx, kind, name, at=at, why=GONE if gone else FAILING_LONG)
        return True
    return False


async def _note_order(tx: WriteTransaction, claimed: Claimed, outcome: Outcome, at: datetime) -> None:
    if claimed.kind == "order":
        await inbound.note_outcome(tx, claimed.subject_id, "sent" if outcome == "delivered" else "undelivered", at)


def _attempt(claimed: Claimed, tried: Tried) -> Attempt:
    came = tried.came
    answer = came if isinstance(came, Answer) else None
    return Attempt(
        number=claimed.attempts,
        started_at=tried.started_at,
        ended_at=tried.ended_at,
        status=answer.status if answer else None,
        trouble=came.words if isinstance(came, Trouble) else None,
        answer=answer.body[:KEPT].replace(b"\0", b"") if answer else None,
    )
