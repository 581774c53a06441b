"""Previews: the very orders that would go out, with address, headers and bytes; nothing is kept."""

from asyncio import Lock
from collections.abc import Iterator
from typing import Annotated, Any, Final, Literal, NamedTuple
from weakref import WeakValueDictionary

import msgspec
from litestar import Request, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import Meta

from cotterline.api.caller import Caller
from cotterline.api.faults import member
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.order_drafts import Drafting, DraftOrder
from cotterline.api.order_examples import example_document, example_supplier
from cotterline.api.problems import call_of
from cotterline.api.quotes import EXAMPLE_NOW, QuoteId
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.orders import OrderDocument, OrderRequest
from cotterline.bench.quantity import refuse
from cotterline.bench.suppliers import BodyForm
from cotterline.delivery import credentials
from cotterline.delivery.order_files import message_id
from cotterline.delivery.signatures import signed
from cotterline.documents.order_body import Body, order_body
from cotterline.store import receiver_secrets
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.receiver_secrets import Purpose, Use
from cotterline.store.tenancy import Tenant

_STARRED: Final = f"The credential is shown as {credentials.STARS}; the post shows the real one."
_NO_CREDENTIAL: Final = "No credential is kept for this supplier: until there is one, nothing is posted to it."
_TURNS: Final[WeakValueDictionary[Tenant, Lock]] = WeakValueDictionary()
"""By which each shop has its mappings tried one after the other, so that one shop takes no more than a core."""

_UNSIGNED: Final = "No secret to sign with is kept for this supplier: the post goes out without a signature."
_SIGNED: Final = "The signature is that of this moment; every try is signed anew, with its own time."


class PreviewRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An order to be looked at before it is placed.

    Attributes:
        order: how the parts are to be ordered.
        forms: by the supplier's name, a form to try instead of the one that is set for it.
    """

    order: OrderRequest = OrderRequest()
    forms: Annotated[dict[Annotated[str, Meta(min_length=1, max_length=60)], BodyForm], Meta(max_length=50)] = {}


class OrderPreview(msgspec.Struct, frozen=True, kw_only=True):
    """One order as it would be posted.

    Attributes:
        supplier: of whom.
        method: of HTTP.
        url: where to.
        headers: every one that the service sets, by names in small letters.
        body: the very bytes, as text.
        notes: what differs from the post itself, and what it lacks.
        document: the order as this service's own document, whatever its form on the way.
    """

    supplier: str
    method: Literal["POST"] = "POST"
    url: str
    headers: dict[str, str]
    body: str
    notes: tuple[str, ...]
    document: OrderDocument


class OrderPreviews(msgspec.Struct, frozen=True, kw_only=True):
    """Every order a quote would place.

    Attributes:
        orders: by the suppliers' names.
    """

    orders: tuple[OrderPreview, ...]


class _Secrets(NamedTuple):
    """What is kept for a supplier to be posted to."""

    signing: list[str]
    credential: list[str]


def _preview(draft: DraftOrder, body: Body, secrets: _Secrets, stamp: Stamp) -> OrderPreview:
    supplier = draft.supplier
    signature = signed(secrets.signing, message_id(draft.delivery_id), stamp.now, body.content)
    shown = credentials.starred_headers(supplier.authentication)
    return OrderPreview(
        supplier=draft.document.supplier,
        url=supplier.endpoint,
        headers=credentials.headers(body.content_type, shown, signature),
        body=body.content.decode(),
        notes=(*_notes(draft, secrets),),
        document=draft.document,
    )


def _notes(draft: DraftOrder, secrets: _Secrets) -> Iterator[str]:
    yield _SIGNED if secrets.signing else _UNSIGNED
    if credentials.needs_credential(draft.supplier.authentication):
        yield _STARRED if secrets.credential else _NO_CREDENTIAL


def _example(_: PreviewRequest) -> OrderPreviews:
    draft = DraftOrder(example_document(), example_supplier())
    stamp = Stamp(id=draft.document.order_id, now=EXAMPLE_NOW)
    body = order_body(draft.document, draft.supplier.body)
    return OrderPreviews(orders=(_preview(draft, body, _Secrets([], ["held"]), stamp),))


@post(
    "/v1/quotes/{quote_id:uuid}/order-previews",
    status_code=200,
    operation_id="previewOrders",
    tags=["orders"],
    summary="Look at the orders a quote would place",
    opt={
        "scope": "order",
        "answer": OrderPreviews,
        "refusals": (409,),
        "examples": {"cheapest": Example("What is cheapest", _example, b'{"order":{"from_stock":[2]}}')},
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[PreviewRequest],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    cipher: NamedDependency[Cipher],
    stamp: NamedDependency[Stamp],
) -> OrderPreviews:
    """Give, for each supplier, the address, the headers and the bytes of the order as it would go out now.

    The bytes are those that placing the same order sends, as long as it is placed on the same day and nothing else
    changes meanwhile. A form that is not saved yet can be tried on a real quote.
    """
    drafting = Drafting(stamp.now, call_of(request.scope).base_url, "/order")
    async with database.read(caller.tenant) as tx:
        drafts = await drafting.draft(tx, quote_id, data.order)
        names = [draft.document.supplier for draft in drafts.orders]
        unused = [name for name in data.forms if name not in names]
        refuse([Fault(member("/forms", name), "nothing is ordered of this supplier") for name in unused])
        secrets = [await _secrets(tx, cipher, name, stamp) for name in names]
    async with _TURNS.setdefault(caller.tenant, Lock()):
        bodies = [await _body(draft, data) for draft in drafts.orders]
    found = zip(drafts.orders, bodies, secrets, strict=True)
    return OrderPreviews(orders=tuple(_preview(*each, stamp) for each in found))


async def _body(draft: DraftOrder, data: PreviewRequest) -> Body:
    """The bytes; what keeps a form of the request from making any is told at its place."""
    name = draft.document.supplier
    try:
        return await draft.body(data.forms.get(name))
    except CotterlineError as error:
        if name not in data.forms:
            raise
        place = member("/forms", name)
        faults = [Fault(place + fault.pointer, fault.detail) for fault in error.faults]
        raise CotterlineError(error.code, error.detail, faults) from error


async def _secrets(tx: ReadTransaction, cipher: Cipher, supplier: str, stamp: Stamp) -> _Secrets:
    async def live(purpose: Purpose) -> list[str]:
        return [*await receiver_secrets.live(tx, cipher, Use("supplier", supplier, purpose), stamp.now)]

    return _Secrets(await live("signing"), await live("credential"))
