"""What a claimed delivery is sent as: where to, shown what and signed with what, as of the moment of sending."""

from datetime import datetime
from typing import Literal

import msgspec

from cotterline.bench.errors import CotterlineError
from cotterline.bench.suppliers import Authentication, Signature
from cotterline.delivery import credentials
from cotterline.delivery.post import Post
from cotterline.delivery.schedule import Trouble
from cotterline.delivery.signatures import signed
from cotterline.store import receiver_secrets, receivers
from cotterline.store.cipher import Cipher
from cotterline.store.database import ReadTransaction
from cotterline.store.delivery_claims import Claimed
from cotterline.store.receiver_secrets import Use

Unsendable = Literal["no receiver", "disabled"]


class _Destination(msgspec.Struct, frozen=True, kw_only=True):
    """What a supplier and a subscription have in common; a subscription takes its signature alone."""

    endpoint: str
    timeout_seconds: int
    authentication: Authentication = Signature()


async def prepared(tx: ReadTransaction, cipher: Cipher, claimed: Claimed, now: datetime) -> Post | Trouble | Unsendable:
    """Return the post that a delivery is sent as now.

    Where something of the shop's or the operator's is missing that is told as trouble, for somebody may see to it
    before the next try; an order is never sent without the credential or the signature it should have.
    """
    receiver = await receivers.get(tx, claimed.receiver_kind, claimed.receiver_name)
    if receiver is None and claimed.kind == "event":
        return "no receiver"
    if receiver is None:
        return Trouble(kind="setup", words="the shop has no supplier of this name any more")
    if receiver.disabled_at is not None:
        return "disabled"
    destination = msgspec.json.decode(receiver.content, type=_Destination)
    try:
        signing = await receiver_secrets.live(tx, cipher, Use(receiver.kind, receiver.name, "signing"), now)
        credential = await receiver_secrets.live(tx, cipher, Use(receiver.kind, receiver.name, "credential"), now)
    except CotterlineError as error:
        return Trouble(kind="setup", words=error.detail)
    if credentials.needs_credential(destination.authentication) and not credential:
        return Trouble(kind="setup", words="no credential is kept for it")
    shown = credentials.shown_headers(destination.authentication, credential[0] if credential else "")
    return Post(
        endpoint=destination.endpoint,
        headers=credentials.headers(
            claimed.content_type, shown, signed(signing, claimed.message_id, now, claimed.body)
        ),
        body=claimed.body,
        timeout_seconds=destination.timeout_seconds,
        in_test_mode=tx.tenant.mode == "test",
    )
