"""Subscriptions: which other systems of the shop's are told what happens, and whether it gets through to them."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, delete, get, patch, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter
from uuid_utils.compat import uuid7

from cotterline.api.body import decode
from cotterline.api.conditions import KEPT, is_current, not_modified, overtaken, require, wanted_tags
from cotterline.api.endpoints import Endpoints
from cotterline.api.merge_patch import MEDIA_TYPE, merged
from cotterline.api.operation import NOT_MODIFIED, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.api.receiver_secrets import Keeping
from cotterline.api.receivers import enabled, note
from cotterline.api.shop_documents import Desk
from cotterline.api.shown_subscription import (
    BODY,
    EXAMPLE,
    MadeSubscription,
    ShownSubscription,
    SubscriptionList,
    SubscriptionPatch,
    example,
    listed,
    repeated_types,
    shown,
    tag,
    told,
)
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.quantity import refuse
from cotterline.bench.subscriptions import Subscription
from cotterline.bench.suppliers import check_endpoint
from cotterline.delivery.signatures import made_secret
from cotterline.store import cursor as places
from cotterline.store import deliveries, receiver_secrets, receivers
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.receiver_secrets import Use
from cotterline.store.receivers import Receiver, ReceiverPage, subscription_of
from cotterline.store.tenancy import Mode

PATH: Final = "/v1/subscriptions"
ONE: Final = PATH + "/{subscription_id:uuid}"
SubscriptionId = Annotated[UUID, PathParameter(description="The subscription's id.")]
AnyRequest = Request[Any, Any, Any]
_SECRET: Final = "whsec_" + "AAAA" * 11
_PATCH: Final = b'{"types":null}'


def links() -> dict[str, Any]:
    """Where the API document leads on from a subscription that was made."""
    words = {
        "readSubscription": "Read it again.",
        "sendTestEvent": "See an event arrive.",
        "enableSubscription": "Post to it again.",
        "listSubscriptionSecrets": "See which secrets hold.",
    }
    named = {"subscription_id": "$response.body#/id"}
    return {name: {"operationId": name, "parameters": named, "description": told} for name, told in words.items()}


@post(
    PATH,
    status_code=201,
    operation_id="makeSubscription",
    tags=["events"],
    summary="Subscribe to events",
    opt={
        "scope": "administer",
        "answer": MadeSubscription,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "till": Example(
                "Two types of events",
                lambda data: MadeSubscription(**msgspec.structs.asdict(example(data)), secret=_SECRET),
                BODY,
            )
        },
        "headers": ["Location", "ETag", "Idempotency-Replayed"],
        "links": links(),
    },
)
async def create(
    request: AnyRequest,
    data: JSONBody[Subscription],
    keeping: NamedDependency[Keeping],
    endpoints: NamedDependency[Endpoints],
) -> Response[bytes]:
    """Have events posted to an address from now on, signed with a secret that is shown this once."""
    caller, stamp = keeping.caller, keeping.stamp
    refuse([*_faults(data, endpoints, caller.tenant.mode)])
    row = Receiver(
        kind="subscription",
        name=str(stamp.id),
        version=1,
        created_at=stamp.now,
        changed_at=stamp.now,
        actor=caller.key_id,
        content=msgspec.json.encode(data),
    )

    async def work(tx: WriteTransaction) -> Response[MadeSubscription]:
        await receivers.make_room(tx, "subscription")
        await receivers.insert(tx, row)
        text = made_secret()
        await receiver_secrets.keep(
            tx,
            keeping.cipher,
            Use("subscription", row.name, "signing"),
            text,
            secret_id=uuid7(),
            now=stamp.now,
            actor=caller.key_id,
            overlap=timedelta(0),
        )
        await note(tx, caller, stamp.now, "created", row)
        place = f"{call_of(request.scope).base_url}{PATH}/{row.name}"
        return Response(MadeSubscription(**told(row), secret=text), headers={"Location": place, "ETag": tag(row)})

    return await keeping.once.answer(work, sealed=True)


@get(
    PATH,
    operation_id="listSubscriptions",
    tags=["events"],
    summary="List subscriptions, newest first",
    opt={
        "scope": "administer",
        "examples": {"one": Example("One subscription", lambda: listed(ReceiverPage((EXAMPLE,), None)))},
        "headers": ["Link"],
    },
)
async def page(
    request: AnyRequest, desk: NamedDependency[Desk], limit: Limit = DEFAULT_LIMIT, cursor: Place = None
) -> Response[SubscriptionList]:
    """Give a page of the shop's subscriptions in this mode, disabled ones included."""
    after = places.decode(cursor, "subscriptions") if cursor else None
    async with desk.database.read(desk.caller.tenant) as tx:
        found = listed(await receivers.page(tx, "subscription", after, limit))
    address = f"{call_of(request.scope).base_url}{PATH}"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit))


@get(
    ONE,
    operation_id="readSubscription",
    tags=["events"],
    summary="Read a subscription",
    opt={
        "scope": "administer",
        "answer": ShownSubscription,
        "takes": ["If-None-Match"],
        "examples": {"till": Example("A subscription", lambda: shown(EXAMPLE))},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
    },
)
async def read(
    request: AnyRequest, subscription_id: SubscriptionId, desk: NamedDependency[Desk]
) -> Response[ShownSubscription] | Response[None]:
    """Tell where events go, which ones, since when posts fail, and whether it is disabled and why."""
    async with desk.database.read(desk.caller.tenant) as tx:
        found = await there(tx, subscription_id)
    return not_modified(tag(found)) if is_current(request, tag(found)) else answer(found)


@patch(
    ONE,
    operation_id="changeSubscription",
    tags=["events"],
    summary="Change a subscription",
    opt={
        "scope": "administer",
        "answer": ShownSubscription,
        "media": MEDIA_TYPE,
        "takes": ["If-Match"],
        "examples": {
            "all": Example("Every type", lambda data: example(_patched(subscription_of(EXAMPLE), data)), _PATCH)
        },
        "headers": ["ETag"],
    },
)
async def change(
    request: AnyRequest,
    subscription_id: SubscriptionId,
    data: JSONBody[SubscriptionPatch],
    desk: NamedDependency[Desk],
    endpoints: NamedDependency[Endpoints],
) -> Response[ShownSubscription]:
    """Merge a patch into a subscription; what waits for it goes to its new address."""
    wanted = wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await there(tx, subscription_id)
        require(wanted, tag(seen))
        content = _patched(subscription_of(seen), data)
        refuse([*_faults(content, endpoints, desk.caller.tenant.mode)])
        now = msgspec.structs.replace(
            seen,
            version=seen.version + 1,
            changed_at=desk.stamp.now,
            actor=desk.caller.key_id,
            content=msgspec.json.encode(content),
        )
        if not await receivers.change(tx, now, seen.version):
            raise overtaken()
        await note(tx, desk.caller, desk.stamp.now, "changed", now)
    return answer(now)


@delete(
    ONE,
    operation_id="deleteSubscription",
    tags=["events"],
    summary="End a subscription",
    opt={"scope": "administer", "takes": ["If-Match"]},
)
async def remove(request: AnyRequest, subscription_id: SubscriptionId, desk: NamedDependency[Desk]) -> None:
    """Post nothing more to an address: what waits for it is cancelled, its secrets are gone; events stay readable."""
    wanted = wanted_tags(request)
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await there(tx, subscription_id)
        require(wanted, tag(seen))
        if not await receivers.remove(tx, "subscription", seen.name, seen.version):
            raise overtaken()
        await deliveries.cancel_all(tx, "subscription", seen.name, desk.stamp.now)
        await receiver_secrets.remove_all(tx, "subscription", seen.name)
        await note(tx, desk.caller, desk.stamp.now, "deleted", seen)


@post(
    ONE + "/enablements",
    status_code=200,
    operation_id="enableSubscription",
    tags=["events"],
    summary="Post to a subscription again",
    opt={
        "scope": "administer",
        "answer": ShownSubscription,
        "examples": {"till": Example("A subscription that is ready", lambda: shown(EXAMPLE))},
        "headers": ["ETag"],
    },
)
async def enable(subscription_id: SubscriptionId, desk: NamedDependency[Desk]) -> Response[ShownSubscription]:
    """Let events go out again to a subscription that was disabled, those that waited then at once.

    What happened meanwhile is read from `/v1/events`, or posted on a replay.
    """
    async with desk.database.write(desk.caller.tenant) as tx:
        seen = await there(tx, subscription_id)
        row = await enabled(tx, desk, seen)
    return answer(row)


async def there(tx: ReadTransaction, subscription_id: UUID) -> Receiver:
    """The shop's subscription of this id.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await receivers.get(tx, "subscription", str(subscription_id))
    if row is None:
        raise CotterlineError("not-found", "No subscription has this id.")
    return row


def answer(row: Receiver) -> Response[ShownSubscription]:
    """The subscription with its entity tag."""
    return Response(shown(row), headers={**KEPT, "ETag": tag(row)})


def _patched(before: Subscription, change: SubscriptionPatch) -> Subscription:
    try:
        outcome = merged(msgspec.to_builtins(before), msgspec.to_builtins(change))
        after: Subscription = decode(msgspec.json.encode(outcome), Subscription)
    except RequestRefusedError as error:
        words = "After the patch the subscription would not fit the schema."
        raise RequestRefusedError("patch-outcome", words, error.errors) from error
    return after


def _faults(content: Subscription, endpoints: Endpoints, mode: Mode) -> Iterator[Fault]:
    yield from check_endpoint(content.endpoint, "/endpoint")
    yield from endpoints.check(content.endpoint, mode, "/endpoint")
    yield from repeated_types(content)
