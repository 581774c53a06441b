"""Subscriptions as they are sent and shown."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.api import examples, receivers
from cotterline.api.conditions import etag
from cotterline.api.operation import EXAMPLE_ID
from cotterline.bench.errors import Fault
from cotterline.bench.events import EventType
from cotterline.bench.subscriptions import Note, Subscription, Timeout, Types
from cotterline.bench.suppliers import Endpoint
from cotterline.store import cursor as places
from cotterline.store.receivers import Receiver, ReceiverPage, subscription_of


class SubscriptionPatch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A JSON Merge Patch (RFC 7396) of a subscription: what is absent stays, null sets back.

    Attributes:
        endpoint: where events are posted to, those that wait already too.
        types: which ones; null for every one.
        note: the shop's own words for it.
        timeout_seconds: how long one post may take.
    """

    endpoint: Endpoint | UnsetType = UNSET
    types: Types | UnsetType | None = UNSET
    note: Note | UnsetType | None = UNSET
    timeout_seconds: Timeout | UnsetType | None = UNSET


class ShownSubscription(msgspec.Struct, frozen=True, kw_only=True):
    """A subscription, and whether events get through to it.

    Attributes:
        id: names it.
        state: ``failing`` after a post that failed, until one gets through; to a ``disabled`` one nothing is posted.
        endpoint: where events are posted to.
        types: which ones; every one there is where left empty.
        note: the shop's own words for it.
        timeout_seconds: how long one post may take.
        created_at: when it was made.
        changed_at: when it was last set.
        by: id of the key it was last set with.
        failing_since: the first of the posts that failed.
        disabled_at: since when nothing is posted.
        disabled_why: why not, in words.
    """

    id: UUID
    state: Literal["ready", "failing", "disabled"]
    endpoint: str
    types: tuple[EventType, ...]
    note: str
    timeout_seconds: int
    created_at: datetime
    changed_at: datetime
    by: str
    failing_since: datetime | UnsetType = UNSET
    disabled_at: datetime | UnsetType = UNSET
    disabled_why: str | UnsetType = UNSET


class MadeSubscription(ShownSubscription, frozen=True, kw_only=True):
    """A subscription as it is shown this once.

    Attributes:
        secret: what posts to it are signed with; it cannot be had again.
    """

    secret: str


class SubscriptionList(msgspec.Struct, frozen=True, kw_only=True):
    """Some subscriptions, newest first.

    Attributes:
        subscriptions: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    subscriptions: tuple[ShownSubscription, ...]
    next_cursor: str | UnsetType = UNSET


class ReplayRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which events are to be posted once more.

    Attributes:
        from_position: the first.
        to_position: the last; the last there is where left out.
    """

    from_position: Annotated[int, Meta(ge=1, le=10**15 - 1)]
    to_position: Annotated[int, Meta(ge=1, le=10**15 - 1)] | UnsetType = UNSET


class Replay(msgspec.Struct, frozen=True, kw_only=True):
    """What was put out once more.

    Attributes:
        from_position: the first event that was looked at.
        to_position: the last.
        posts: how many of them the subscription wants, each of which is posted under the id it always had.
    """

    from_position: int
    to_position: int
    posts: int


class SentTest(msgspec.Struct, frozen=True, kw_only=True):
    """A test event that is on its way.

    Attributes:
        message_id: what its post carries as ``webhook-id``.
        position: its place among the shop's events.
    """

    message_id: str
    position: int


def shown(row: Receiver) -> ShownSubscription:
    """A subscription for the wire."""
    return ShownSubscription(**told(row))


def told(row: Receiver) -> dict[str, Any]:
    """The members of :class:`ShownSubscription`."""
    return receivers.told(row) | msgspec.structs.asdict(subscription_of(row)) | {"id": UUID(row.name)}


def tag(row: Receiver) -> str:
    """Names what is shown: a post that fails shows without another version."""
    return etag(row.version, *([f"{row.failing_since:%y%m%d%H%M%S%f}"] if row.failing_since else []))


def listed(page: ReceiverPage) -> SubscriptionList:
    """A page of the list for the wire."""
    following = places.encode(page.following, "subscriptions") if page.following else UNSET
    return SubscriptionList(subscriptions=tuple(map(shown, page.receivers)), next_cursor=following)


def repeated_types(content: Subscription) -> Iterator[Fault]:
    """Yield a fault for each type that is named once more."""
    for index, event in enumerate(content.types):
        if event in content.types[:index]:
            yield Fault(f"/types/{index}", f"{event} is given more than once")


BODY: Final = examples.read("subscription")
EXAMPLE: Final = Receiver(
    kind="subscription",
    name=EXAMPLE_ID,
    version=1,
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    changed_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    actor=EXAMPLE_ID,
    content=msgspec.json.encode(msgspec.json.decode(BODY, type=Subscription)),
)


def example(content: Subscription) -> ShownSubscription:
    """What is shown of a subscription with this content."""
    return shown(msgspec.structs.replace(EXAMPLE, content=msgspec.json.encode(content)))
