"""Deliveries: everything that was or will be posted for a shop, what each receiver answered, and another try."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter
from msgspec import UNSET, UnsetType

from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.api.shop_documents import Desk
from cotterline.bench.errors import CotterlineError
from cotterline.store import cursor as places
from cotterline.store import deliveries
from cotterline.store.audit import record
from cotterline.store.deliveries import Attempt, DeliveryKind, DeliveryPage, DeliveryRow, DeliverySearch, DeliveryState
from cotterline.store.receivers import ReceiverKind

PATH: Final = "/v1/deliveries"
DeliveryId = Annotated[UUID, PathParameter(description="The delivery's id.")]


class DeliveryEntry(msgspec.Struct, frozen=True, kw_only=True):
    """What a list tells of a delivery.

    Attributes:
        id: names it.
        receiver_kind: whether it goes to a supplier or to a subscription.
        receiver: which one: a supplier's name, or a subscription's id.
        kind: whether it carries an order, a change of one, or an event.
        subject_id: the order it is about; of an event, the event's own id.
        message_id: what every post of it carries as ``webhook-id``.
        state: ``waiting`` for its next try, ``held`` until its receiver is enabled, ``delivered`` once the receiver
            took it, ``failed`` after the last try, or ``cancelled``.
        created_at: when it was put into the outbox.
        next_try_at: when it is tried next, while it waits.
        attempts: how often it was tried.
        finished_at: when it was delivered, failed or was cancelled.
    """

    id: UUID
    receiver_kind: ReceiverKind
    receiver: str
    kind: DeliveryKind
    subject_id: UUID
    message_id: str
    state: DeliveryState
    created_at: datetime
    next_try_at: datetime | UnsetType = UNSET
    attempts: int
    finished_at: datetime | UnsetType = UNSET


class DeliveryAttempt(msgspec.Struct, frozen=True, kw_only=True):
    """What came of one try.

    Attributes:
        number: counts the tries from 1; a try whose worker died is missing.
        started_at: when it was begun.
        ended_at: when it was over.
        status: of HTTP, if there was an answer.
        trouble: what went wrong instead, in words.
        answer: the beginning of what the receiver said, as text.
    """

    number: int
    started_at: datetime
    ended_at: datetime
    status: int | UnsetType = UNSET
    trouble: str | UnsetType = UNSET
    answer: str | UnsetType = UNSET


class ShownDelivery(DeliveryEntry, frozen=True, kw_only=True):
    """A delivery with what it carries and what came of each try.

    Attributes:
        content_type: of the body.
        body: what is posted, the same bytes at every try, as text in UTF-8; empty once it was erased.
        erased_at: when it was emptied, for it held a customer's words.
        tries: the first one first.
    """

    content_type: str
    body: str
    erased_at: datetime | UnsetType = UNSET
    tries: tuple[DeliveryAttempt, ...]


class DeliveryList(msgspec.Struct, frozen=True, kw_only=True):
    """Some deliveries, newest first.

    Attributes:
        deliveries: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    deliveries: tuple[DeliveryEntry, ...]
    next_cursor: str | UnsetType = UNSET


def _told(row: DeliveryRow) -> dict[str, Any]:
    return {
        "id": row.id,
        "receiver_kind": row.receiver_kind,
        "receiver": row.receiver_name,
        "kind": row.kind,
        "subject_id": row.subject_id,
        "message_id": row.message_id,
        "state": row.state,
        "created_at": row.created_at,
        "next_try_at": row.due_at if row.state == "waiting" else UNSET,
        "attempts": row.attempts,
        "finished_at": row.finished_at or UNSET,
    }


def entry(row: DeliveryRow) -> DeliveryEntry:
    """What a list shows of a delivery."""
    return DeliveryEntry(**_told(row))


def _attempt(row: Attempt) -> DeliveryAttempt:
    return DeliveryAttempt(
        number=row.number,
        started_at=row.started_at,
        ended_at=row.ended_at,
        status=row.status or UNSET,
        trouble=row.trouble or UNSET,
        answer=row.answer.decode(errors="replace") if row.answer else UNSET,
    )


def _listed(page: DeliveryPage) -> DeliveryList:
    following = places.encode(page.following, "deliveries") if page.following else UNSET
    return DeliveryList(deliveries=tuple(map(entry, page.deliveries)), next_cursor=following)


_NOON: Final = datetime(2024, 5, 1, 9, 30, tzinfo=UTC)
_ROW: Final = DeliveryRow(
    id=UUID(EXAMPLE_ID),
    receiver_kind="subscription",
    receiver_name=EXAMPLE_ID,
    kind="event",
    subject_id=UUID(EXAMPLE_ID),
    message_id=f"evt_{UUID(EXAMPLE_ID).hex}",
    state="waiting",
    created_at=_NOON,
    due_at=_NOON,
    attempts=1,
    round_began_after=0,
    leased_until=None,
    finished_at=None,
    content_type="application/json",
)
_TRY: Final = Attempt(number=1, started_at=_NOON, ended_at=_NOON, status=503, trouble=None, answer=b"Back at noon.")
_EXAMPLE_BODY: Final = '{"type":"test.sent"}'


def _example() -> ShownDelivery:
    return ShownDelivery(**_told(_ROW), content_type=_ROW.content_type, body=_EXAMPLE_BODY, tries=(_attempt(_TRY),))


@get(
    PATH,
    operation_id="listDeliveries",
    tags=["events"],
    summary="List deliveries, newest first",
    opt={
        "scope": "read",
        "examples": {"one": Example("One delivery", lambda: _listed(DeliveryPage((_ROW,), None)))},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - query parameters and dependencies, each by name
    request: Request[Any, Any, Any],
    desk: NamedDependency[Desk],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
    delivery_state: Annotated[
        DeliveryState | None, QueryParameter(name="state", description="What became of them.")
    ] = None,
    receiver_kind: Annotated[
        ReceiverKind | None, QueryParameter(description="Only to suppliers, or only to subscriptions.")
    ] = None,
    receiver: Annotated[
        str | None,
        QueryParameter(min_length=1, max_length=60, description="To a supplier of this name, or a subscription's id."),
    ] = None,
    subject_id: Annotated[
        UUID | None, QueryParameter(description="About this order or event.", schema_extra={"format": "uuid"})
    ] = None,
) -> Response[DeliveryList]:
    """Give a page of everything that was or will be posted for the shop in this mode."""
    after = places.decode(cursor, "deliveries") if cursor else None
    search = DeliverySearch(
        state=delivery_state, receiver_kind=receiver_kind, receiver_name=receiver, subject_id=subject_id
    )
    async with desk.database.read(desk.caller.tenant) as tx:
        found = _listed(await deliveries.page(tx, search, after, limit))
    address = f"{call_of(request.scope).base_url}{PATH}"
    asked = {"state": delivery_state, "receiver_kind": receiver_kind, "receiver": receiver, "subject_id": subject_id}
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit, **asked))


@get(
    PATH + "/{delivery_id:uuid}",
    operation_id="readDelivery",
    tags=["events"],
    summary="Read a delivery",
    opt={"scope": "read", "examples": {"waiting": Example("Waiting for its second try", _example)}},
)
async def read(delivery_id: DeliveryId, desk: NamedDependency[Desk]) -> ShownDelivery:
    """Give what is posted, byte for byte, and what the receiver answered each time."""
    async with desk.database.read(desk.caller.tenant) as tx:
        row = _there(await deliveries.get(tx, delivery_id))
        body = await deliveries.body(tx, delivery_id)
        tries = await deliveries.attempts(tx, delivery_id)
    return ShownDelivery(
        **_told(row),
        content_type=row.content_type,
        body=(body or b"").decode(errors="replace"),
        erased_at=row.erased_at or UNSET,
        tries=tuple(map(_attempt, tries)),
    )


@post(
    PATH + "/{delivery_id:uuid}/retries",
    status_code=202,
    operation_id="retryDelivery",
    tags=["events"],
    summary="Post a delivery once more",
    opt={
        "scope": "order",
        "refusals": (409,),
        "examples": {"due": Example("It is due at once", lambda: entry(_ROW))},
    },
)
async def retry(delivery_id: DeliveryId, desk: NamedDependency[Desk]) -> DeliveryEntry:
    """Make a delivery due now, whether it waits, failed or was delivered, with every try ahead of it.

    It carries the id it always had, so that a receiver can tell that it has it already.
    """
    async with desk.database.write(desk.caller.tenant) as tx:
        row = _there(await deliveries.retry(tx, delivery_id, desk.stamp.now))
        await record(
            tx,
            desk.caller.tenant,
            at=desk.stamp.now,
            actor=desk.caller.key_id,
            action="delivery.retried",
            subject_kind="delivery",
            subject_id=str(delivery_id),
            detail={"message_id": row.message_id},
        )
    return entry(row)


def _there(row: DeliveryRow | None) -> DeliveryRow:
    if row is None:
        raise CotterlineError("not-found", "No delivery has this id.")
    return row
