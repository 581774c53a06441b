"""Orders: placed from approved quotes, listed and read with where each stands."""

from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, QueryParameter
from msgspec import UNSET, UnsetType

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.conditions import KEPT, etag, is_current, not_modified
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID, NOT_MODIFIED, Example
from cotterline.api.order_drafts import Drafting
from cotterline.api.order_examples import DISPATCHED, example_row
from cotterline.api.order_placing import place
from cotterline.api.paging import DEFAULT_LIMIT, Limit, next_page
from cotterline.api.paging import Place as PageMark
from cotterline.api.problems import call_of
from cotterline.api.quotes import QuoteId
from cotterline.bench.errors import CotterlineError
from cotterline.bench.orders import LineChange, OrderRequest
from cotterline.bench.replies import Decision, OrderState
from cotterline.delivery.order_events import Order, ToldOrder, facts, told, whole
from cotterline.store import cursor as places
from cotterline.store import deliveries, order_changes, order_decisions, order_replies, orders
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.orders import OrderPage, OrderRow, OrderSearch

PATH: Final = "/v1/orders/{order_id:uuid}"
OrderId = Annotated[UUID, PathParameter(description="The order's id.")]


class PlacedOrders(msgspec.Struct, frozen=True, kw_only=True):
    """The orders that were placed.

    Attributes:
        orders: one for each supplier, by their names.
    """

    orders: tuple[Order, ...]


class KeptOrder(Order, frozen=True, kw_only=True):
    """An order in full, with what belongs to it.

    Attributes:
        deliveries: ids of the posts about it, the order's own first.
        replies: how many were heard.
        decisions: what was made of what the supplier proposed.
        changes: what the supplier was told later.
    """

    deliveries: tuple[UUID, ...]
    replies: int
    decisions: tuple[Decision, ...]
    changes: tuple[LineChange, ...]


class OrderList(msgspec.Struct, frozen=True, kw_only=True):
    """Some orders, newest first.

    Attributes:
        orders: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    orders: tuple[ToldOrder, ...]
    next_cursor: str | UnsetType = UNSET


def tag(row: OrderRow) -> str:
    """Names this version of an order."""
    return etag(row.version)


async def there(tx: ReadTransaction, order_id: UUID) -> OrderRow:
    """The tenant's order.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await orders.get(tx, order_id)
    if row is None:
        raise CotterlineError("not-found", "No order has this id.")
    return row


def order_links(order_id: str) -> dict[str, Any]:
    """Where the API document leads on from an order, given where its id stands."""
    asked = {
        "readOrder": "Read it again.",
        "listReplies": "See what was answered.",
        "changeOrder": "Cancel lines, or announce what comes back.",
    }
    named = {"order_id": order_id}
    return {name: {"operationId": name, "parameters": named, "description": words} for name, words in asked.items()}


def _listed(page: OrderPage) -> OrderList:
    following = places.encode(page.following, "orders") if page.following else UNSET
    return OrderList(orders=tuple(map(told, page.orders)), next_cursor=following)


def _kept_example() -> KeptOrder:
    row = example_row("sent", DISPATCHED)
    return KeptOrder(**facts(row), deliveries=(UUID(EXAMPLE_ID),), replies=1, decisions=(), changes=())


@post(
    "/v1/quotes/{quote_id:uuid}/orders",
    status_code=201,
    operation_id="placeOrders",
    tags=["orders"],
    summary="Order the parts of an approved quote",
    opt={
        "scope": "order",
        "answer": PlacedOrders,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "cheapest": Example(
                "What is cheapest, but for a line at hand",
                lambda _: PlacedOrders(orders=(whole(example_row()),)),
                examples.read("order"),
            )
        },
        "headers": ["Idempotency-Replayed"],
        "links": order_links("$response.body#/orders/0/id"),
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[OrderRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Place one order with each supplier that is needed; the quote must be approved and its result allow an order.

    Orders go out as soon as this is kept. A person may override what stands against an order with a reason, which is
    printed on it and kept in the audit trail.
    """
    drafting = Drafting(stamp.now, call_of(request.scope).base_url)

    async def work(tx: WriteTransaction) -> Response[PlacedOrders]:
        placed = await place(tx, caller, drafting, quote_id, data)
        return Response(PlacedOrders(orders=tuple(map(whole, placed))))

    return await once.answer(work)


@get(
    "/v1/orders",
    operation_id="listOrders",
    tags=["orders"],
    summary="List orders, newest first",
    opt={
        "scope": "read",
        "examples": {"one": Example("One order", lambda: _listed(OrderPage((example_row(),), None)))},
        "headers": ["Link"],
    },
)
async def page(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    cursor: PageMark = None,
    at: Annotated[OrderState | None, QueryParameter(name="state", description="Only orders in this state.")] = None,
    quote_id: Annotated[UUID | None, QueryParameter(description="Only orders of this quote.")] = None,
) -> Response[OrderList]:
    """Give a page of the shop's orders in this mode, each with its state and how many questions wait for a person."""
    search = OrderSearch(state=at, quote_id=quote_id)
    after = places.decode(cursor, "orders") if cursor else None
    async with database.read(caller.tenant) as tx:
        found = _listed(await orders.page(tx, search, after, limit))
    address = f"{call_of(request.scope).base_url}/v1/orders"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit, state=at, quote_id=quote_id))


@get(
    PATH,
    operation_id="readOrder",
    tags=["orders"],
    summary="Read an order",
    opt={
        "scope": "read",
        "answer": KeptOrder,
        "takes": ["If-None-Match"],
        "examples": {"dispatched": Example("An order that is on its way", _kept_example)},
        "headers": ["ETag"],
        "also": NOT_MODIFIED,
        "links": order_links("$response.body#/id"),
    },
)
async def read(
    request: Request[Any, Any, Any],
    order_id: OrderId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> Response[KeptOrder] | Response[None]:
    """Give what was ordered, where it stands line by line, and what a person must decide."""
    async with database.read(caller.tenant) as tx:
        row = await there(tx, order_id)
        if is_current(request, tag(row)):
            return not_modified(tag(row))
        found = await kept(tx, row)
    return Response(found, headers={"ETag": tag(row), **KEPT})


async def kept(tx: ReadTransaction, order: OrderRow) -> KeptOrder:
    """An order in full, with what belongs to it."""
    changes = await order_changes.every(tx, order.id)
    return KeptOrder(
        **facts(order),
        deliveries=tuple(post.id for post in await deliveries.of_subjects(tx, [order.id])),
        replies=await order_replies.count(tx, order.id),
        decisions=tuple(row.decision for row in await order_decisions.every(tx, order.id)),
        changes=tuple(change for told in changes for change in told.document.changes),
    )
