"""What the API document's examples of subscriptions, events and deliveries show, made over HTTP."""

import asyncio
from datetime import UTC, datetime, timedelta
from uuid import uuid4

import msgspec
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.store import delivery_claims
from cotterline.store.database import Database
from cotterline.store.deliveries import Attempt
from cotterline.store.delivery_claims import Claimed, Lease
from cotterline.store.tenancy import SERVICE, Tenant
from tests.api.resources import a_quote

Client = TestClient[Edge]
_EVENT = {"timestamp", "subscription_id"}
_DELIVERY = {"receiver", "message_id", "next_try_at", "started_at", "ended_at", "body"}
PER_CALL = {
    "makeSubscription": {"secret"},
    "makeSubscriptionSecret": {"text"},
    "sendTestEvent": {"message_id"},
    "listEvents": _EVENT,
    "readEvent": _EVENT,
    "listDeliveries": _DELIVERY,
    "readDelivery": _DELIVERY,
    "retryDelivery": _DELIVERY,
    "readPracticeSupplier": {"endpoint"},
}
"""Members that differ from call to call, or from one installation to another, in one operation alone."""


class ShownEvents:
    """Makes what the example of one operation shows.

    Args:
        client: calls as the first shop.
        url: of its database.
        tenant: the shop.
    """

    def __init__(self, client: Client, url: str, tenant: Tenant) -> None:
        self._client = client
        self._url = url
        self._tenant = tenant

    def path(self, name: str, path: str) -> str:
        """Have what the operation is about; gives its path with what names it."""
        if name == "listSubscriptions" or "{subscription_id}" in path:
            path = path.replace("{subscription_id}", self._subscription())
        if name == "replayEvents":
            self._happened(path.removesuffix("/replays"))
        if name == "listEvents" or "{position}" in path:
            self._tested()
        if name == "listDeliveries" or "{delivery_id}" in path:
            self._tested()
            asyncio.run(self._try())
            (post,) = self._client.get("/v1/deliveries").json()["deliveries"]
            path = path.replace("{delivery_id}", post["id"])
        return path.replace("{position}", "1")

    def _subscription(self) -> str:
        body = msgspec.json.decode(examples.read("subscription"))
        return str(self._client.post("/v1/subscriptions", json=body).json()["id"])

    def _tested(self) -> None:
        sent = self._client.post(f"/v1/subscriptions/{self._subscription()}/test-events")
        assert sent.status_code == 202, sent.text

    def _happened(self, subscription: str) -> None:
        """Let three things happen, of which the subscription wants one."""
        headers = {"if-match": "*", "content-type": "application/merge-patch+json"}
        self._client.patch(subscription, content=b'{"types":["quote.issued"]}', headers=headers)
        quote = a_quote(self._client)
        for action in ("issue", "decline"):
            done = self._client.post(
                f"/v1/quotes/{quote}/transitions", json={"action": action}, headers={"if-match": "*"}
            )
            assert done.status_code == 200, done.text

    async def _try(self) -> None:
        """Have the one post that is due answered with 503, and wait for its next try."""
        database = await Database.open(self._url)
        now = datetime.now(UTC)
        claimed = await self._claimed(database, now)
        attempt = Attempt(number=1, started_at=now, ended_at=now, status=503, trouble=None, answer=b"Back at noon.")
        async with database.write(self._tenant) as tx:
            await delivery_claims.note_attempt(tx, claimed, attempt)
            assert await delivery_claims.reschedule(tx, claimed, now + timedelta(minutes=1))
        await database.close()

    async def _claimed(self, database: Database, now: datetime) -> Claimed:
        async with database.write(SERVICE) as tx:
            (claimed,) = await delivery_claims.claim(
                tx, Lease(token=uuid4(), now=now, until=now + timedelta(hours=1)), 1
            )
        return claimed
