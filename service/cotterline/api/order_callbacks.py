"""Callbacks: what a supplier's own program says about an order, let in by its signature instead of a key."""

from collections.abc import Mapping
from typing import Any, Final
from uuid import UUID

import msgspec
from litestar import Request, post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.order_replies import check_reply, hold_to_count
from cotterline.api.orders import PATH, OrderId
from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.api.rate_limits import turn_stranger_away
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import refuse
from cotterline.bench.replies import HeardReply, Reply
from cotterline.delivery import inbound
from cotterline.delivery.signatures import SIGNATURE_HEADERS, verified
from cotterline.store import orders, receiver_secrets
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database
from cotterline.store.receiver_secrets import Use
from cotterline.store.tenancy import SERVICE, Tenant

MAX_BYTES: Final = 64 * 1024
_CHALLENGE: Final = {"WWW-Authenticate": "Standard-Webhooks"}
"""An answer 401 must say how to be let in (RFC 9110, section 15.5.2); no scheme is registered for such signatures."""


class TakenIn(msgspec.Struct, frozen=True, kw_only=True):
    """That a message was taken in, now or when it came before.

    Attributes:
        message_id: names the message.
    """

    message_id: str


class _Sender(msgspec.Struct, frozen=True):
    """Who would be calling: a supplier of a shop's, and what it signs with."""

    tenant: Tenant
    supplier: str
    secrets: tuple[str, ...]


@post(
    PATH + "/callbacks",
    status_code=202,
    operation_id="callBack",
    tags=["orders"],
    summary="Say something about an order, as its supplier",
    request_max_body_size=MAX_BYTES,
    opt={
        "scope": None,
        "takes": [*SIGNATURE_HEADERS],
        "refusals": (401, 409, 429),
        "examples": {"later": Example("It comes later", lambda _: TakenIn(message_id="2vJ9"), examples.read("reply"))},
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    order_id: OrderId,
    data: JSONBody[Reply],
    database: NamedDependency[Database],
    cipher: NamedDependency[Cipher],
    stamp: NamedDependency[Stamp],
) -> TakenIn:
    """Take in a reply that is signed with the supplier's reply secret, once for each webhook-id; no key is needed.

    Refused alike whether there is such an order or not. Where the order stands after it is for the shop to see.
    """
    found = await _sender(database, cipher, order_id, stamp)
    try:
        sender, message_id = _genuine(found, request.headers, await request.body(), stamp)
    except RequestRefusedError:
        turn_stranger_away(request, stamp.now)
        raise
    refuse([*check_reply(data, stamp.now)])
    call_of(request.scope).logged.update(shop=str(sender.tenant.shop), mode=sender.tenant.mode)
    heard = HeardReply(message_id=message_id, reply=data)
    async with database.write(sender.tenant) as tx:
        await hold_to_count(tx, order_id)
        await inbound.receive(tx, order_id, heard, "callback", sender.supplier, stamp.now)
    return TakenIn(message_id=message_id)


def _genuine(sender: _Sender | None, headers: Mapping[str, str], body: bytes, stamp: Stamp) -> tuple[_Sender, str]:
    """The sender and the id of a message that was signed with one of its secrets.

    Raises:
        RequestRefusedError: ``signature-refused``; in the same words where there is nobody who could have sent it.
        RuntimeError: a message was verified without a secret.
    """
    given = {name: headers.get(name, "") for name in SIGNATURE_HEADERS}
    try:
        message_id = verified(sender.secrets if sender else (), given, body, stamp.now)
    except CotterlineError as error:
        raise RequestRefusedError(error.code, error.detail, headers=_CHALLENGE) from error
    if sender is None:
        raise RuntimeError("nobody's message was verified")
    return sender, message_id


async def _sender(database: Database, cipher: Cipher, order_id: UUID, stamp: Stamp) -> _Sender | None:
    tenant = await _tenant(database, order_id)
    if tenant is None:
        return None
    async with database.read(tenant) as tx:
        row = await orders.get(tx, order_id)
        if row is None:
            return None
        secrets = await receiver_secrets.live(tx, cipher, Use("supplier", row.supplier, "reply"), stamp.now)
    return _Sender(tenant, row.supplier, tuple(secrets))


async def _tenant(database: Database, order_id: UUID) -> Tenant | None:
    async with database.read(SERVICE) as tx:
        return await orders.tenant_of(tx, order_id)
