"""What is posted to a subscription on request, a test event or what happened before, and the secrets of its posts."""

from datetime import datetime
from typing import Annotated, Any, Final
from uuid import UUID

from litestar import Response, delete, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter

from cotterline.api.kept_answers import Once
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place
from cotterline.api.receiver_secrets import (
    Holder,
    Keeping,
    MadeSecret,
    SecretEntry,
    SecretList,
    SecretRequest,
    ended,
    listed,
    make,
    make_example,
)
from cotterline.api.shop_documents import Desk
from cotterline.api.shown_subscription import EXAMPLE, Replay, ReplayRequest, SentTest
from cotterline.api.subscriptions import ONE, AnyRequest, SubscriptionId, there
from cotterline.api.told_events import Trial
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import refuse
from cotterline.store import events
from cotterline.store.audit import record
from cotterline.store.database import WriteTransaction
from cotterline.store.events import event_message_id
from cotterline.store.receivers import Receiver, subscription_of

MOST_REPLAYED: Final = 10_000
_CHUNK: Final = 500
"""Events whose bodies are in memory at once."""


def _one_secret() -> SecretList:
    entry = SecretEntry(
        id=UUID(EXAMPLE_ID), purpose="signing", state="live", created_at=EXAMPLE.created_at, by=EXAMPLE_ID
    )
    return SecretList(secrets=(entry,))


SigningSecretId = Annotated[UUID, PathParameter(description="The secret's id.")]


@post(
    ONE + "/test-events",
    status_code=202,
    operation_id="sendTestEvent",
    tags=["events"],
    summary="Send a test event",
    opt={
        "scope": "administer",
        "answer": SentTest,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "sent": Example(
                "It is on its way", lambda: SentTest(message_id=event_message_id(UUID(EXAMPLE_ID)), position=1)
            )
        },
        "headers": ["Idempotency-Replayed"],
    },
)
async def send_test(
    subscription_id: SubscriptionId,
    once: NamedDependency[Once],
    desk: NamedDependency[Desk],
) -> Response[bytes]:
    """Post an event that tells of nothing, to this subscription alone, whichever types it wants."""

    async def work(tx: WriteTransaction) -> Response[SentTest]:
        row = _enabled(await there(tx, subscription_id))
        trial = Trial(subscription_id=subscription_id)
        sent = await events.emit(
            tx, "test.sent", "subscription", row.name, row.version, desk.stamp.now, trial, to=[row.name]
        )
        await _record(tx, desk, row, "tested", {"position": sent.position})
        return Response(SentTest(message_id=sent.message_id, position=sent.position))

    return await once.answer(work)


@post(
    ONE + "/replays",
    status_code=202,
    operation_id="replayEvents",
    tags=["events"],
    summary="Post a range of events once more",
    opt={
        "scope": "administer",
        "answer": Replay,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "few": Example(
                "Three events, of which it wants one",
                lambda asked: Replay(from_position=asked.from_position, to_position=asked.to_position, posts=1),
                b'{"from_position":1,"to_position":3}',
            )
        },
        "headers": ["Idempotency-Replayed"],
    },
)
async def replay(
    subscription_id: SubscriptionId,
    data: JSONBody[ReplayRequest],
    once: NamedDependency[Once],
    desk: NamedDependency[Desk],
) -> Response[bytes]:
    """Post those events of a range that the subscription wants, each under the id it always had; 10 000 at most."""

    async def work(tx: WriteTransaction) -> Response[Replay]:
        row = _enabled(await there(tx, subscription_id))
        last = await events.last_position(tx)
        reach = min(data.to_position or last, last)
        refuse([*_range_faults(data, reach)])
        posts = await _put_out(tx, row, data.from_position, reach, desk.stamp.now)
        await _record(tx, desk, row, "replayed", {"from": data.from_position, "to": reach, "posts": posts})
        return Response(Replay(from_position=data.from_position, to_position=reach, posts=posts))

    return await once.answer(work)


async def _put_out(tx: WriteTransaction, row: Receiver, first: int, last: int, now: datetime) -> int:
    types, posts, reached = subscription_of(row).types, 0, first - 1
    while reached < last:
        found = await events.after(tx, reached, _CHUNK, types)
        posts += await events.put_out(tx, [event for event in found if event.position <= last], [row.name], now)
        reached = found[-1].position if len(found) == _CHUNK else last
    return posts


def _range_faults(asked: ReplayRequest, last: int) -> list[Fault]:
    if asked.to_position and asked.to_position < asked.from_position:
        return [Fault("/to_position", "must not lie before from_position")]
    if asked.from_position > last:
        return [Fault("/from_position", f"is behind the last event there is, {last}")]
    if last - asked.from_position >= MOST_REPLAYED:
        return [
            Fault(
                "/from_position",
                f"{MOST_REPLAYED} events at most are posted once more, so not before {last - MOST_REPLAYED + 1}",
            )
        ]
    return []


def _enabled(row: Receiver) -> Receiver:
    if row.disabled_at:
        raise CotterlineError("wrong-state", "Nothing is posted to this subscription: enable it first.")
    return row


async def _record(tx: WriteTransaction, desk: Desk, row: Receiver, done: str, detail: dict[str, Any]) -> None:
    await record(
        tx,
        desk.caller.tenant,
        at=desk.stamp.now,
        actor=desk.caller.key_id,
        action=f"subscription.{done}",
        subject_kind="subscription",
        subject_id=row.name,
        detail=detail,
    )


@post(
    ONE + "/secrets",
    status_code=201,
    operation_id="makeSubscriptionSecret",
    tags=["events"],
    summary="Let a new secret take over",
    opt={
        "scope": "administer",
        "answer": MadeSecret,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"signing": Example("To sign with", make_example, b'{"purpose":"signing","overlap_hours":48}')},
        "headers": ["Idempotency-Replayed"],
        "links": {
            "endSubscriptionSecret": {
                "operationId": "endSubscriptionSecret",
                "parameters": {
                    "subscription_id": "$request.path.subscription_id",
                    "signing_secret_id": "$response.body#/id",
                },
                "description": "End it.",
            }
        },
    },
)
async def make_secret(
    subscription_id: SubscriptionId, data: JSONBody[SecretRequest], keeping: NamedDependency[Keeping]
) -> Response[bytes]:
    """Make a secret, or take one in, and show it this once; posts carry a signature with each that holds."""
    return await make(Holder("subscription", str(subscription_id)), data, keeping)


@get(
    ONE + "/secrets",
    operation_id="listSubscriptionSecrets",
    tags=["events"],
    summary="List a subscription's secrets, newest first",
    opt={"scope": "administer", "examples": {"one": Example("One secret", _one_secret)}, "headers": ["Link"]},
)
async def page_of_secrets(
    request: AnyRequest,
    subscription_id: SubscriptionId,
    desk: NamedDependency[Desk],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[SecretList]:
    """Tell since when each secret holds and when it ends; never what it is."""
    return await listed(request, Holder("subscription", str(subscription_id)), desk, limit, cursor)


@delete(
    ONE + "/secrets/{signing_secret_id:uuid}",
    operation_id="endSubscriptionSecret",
    tags=["events"],
    summary="End a subscription's secret",
    opt={"scope": "administer"},
)
async def end_secret(
    subscription_id: SubscriptionId, signing_secret_id: SigningSecretId, desk: NamedDependency[Desk]
) -> None:
    """End a secret at once and for good; without any, posts go out unsigned."""
    await ended(Holder("subscription", str(subscription_id)), signing_secret_id, desk)
