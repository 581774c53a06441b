"""What the API document's examples of suppliers and orders show, made over HTTP."""

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.api.order_examples import DEARER, DISPATCHED, NAME
from cotterline.bench.replies import HeardReply
from cotterline.delivery import inbound
from cotterline.delivery.signatures import signed
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.api import ordering
from tests.api.agreed import agreed

Client = TestClient[Edge]
SECRET = "whsec_" + "MTIzNDU2Nzg5MDEyMzQ1Njc4OTAxMjM0"
SUPPLIER: Mapping[str, Any] = msgspec.json.decode(examples.read("supplier"))
PER_CALL = {
    "previewOrders": {"headers", "body"},
    "makeSupplierSecret": {"text"},
}
"""Members that differ from call to call in one operation alone."""

VISITED = {"readRecheckVisit", "planRecheckVisit", "listRecheckVisits"}
FITTED = {"makeFitReport", "listFitReports", *VISITED}
"""Operations on a quote whose parts were ordered."""


class Shown:
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

    def quote(self, quote_id: str, name: str) -> None:
        """Have a quote that can be ordered, for the operations that order it."""
        if name not in {"previewOrders", "placeOrders", *FITTED}:
            return
        self._stock()
        for action in ("issue", "approve"):
            assert ordering.act(self._client, quote_id, action, **agreed(action, "400")).status_code == 200

        if name in FITTED:
            assert ordering.order(self._client, quote_id).status_code == 201
        if name == "listFitReports":
            self._report(quote_id)
        if name in VISITED:
            address, due = f"/v1/quotes/{quote_id}/recheck-visit", {"due_at": "2024-05-15T09:30:00Z"}
            made = self._client.put(address, json=due, headers={"If-None-Match": "*"})
            assert made.status_code == 200, made.text

    def fit_report(self, name: str) -> str:
        """Have the fit report of the examples, and give its id."""
        self._stock()
        quote_id = ordering.approved(self._client)
        (placed,) = ordering.placed(self._client, quote_id)
        if name == "exchangeSpindle":
            asyncio.run(self._sent(UUID(placed["id"])))
        return self._report(quote_id)

    def supplier(self, name: str) -> None:
        """Have the supplier of the examples, with a secret where one is listed."""
        ordering.set_supplier(self._client, NAME, **SUPPLIER)
        if name == "listSupplierSecrets":
            self._share("reply")

    def order(self, name: str) -> str:
        """Have an order that stands as the example begins, and give its id."""
        self._stock()
        (placed,) = ordering.placed(self._client, ordering.approved(self._client))
        order_id = str(placed["id"])
        if name != "listOrders":
            asyncio.run(self._sent(UUID(order_id)))
        if name in {"readOrder", "listReplies", "decideOrder"}:
            self._say(order_id, DISPATCHED if name == "readOrder" else DEARER)
        return order_id

    def signed(self, body: bytes) -> dict[str, str]:
        """The headers of a callback."""
        return signed([SECRET], "2vJ9", datetime.now(UTC), body)

    def _report(self, quote_id: str) -> str:
        body = msgspec.json.decode(examples.read("fit_report"))
        made = self._client.post(f"/v1/quotes/{quote_id}/fit-reports", json=body)
        assert made.status_code == 201, made.text
        return str(made.json()["id"])

    def _stock(self) -> None:
        ordering.stock(self._client, NAME)
        ordering.set_supplier(self._client, NAME, **{**SUPPLIER, "body": {"form": "json"}})
        self._share("reply", text=SECRET)
        self._share("credential", text="an invented one")

    def _share(self, purpose: str, **more: str) -> None:
        made = self._client.post(f"/v1/suppliers/{NAME}/secrets", json={"purpose": purpose, **more})
        assert made.status_code == 201, made.text

    def _say(self, order_id: str, heard: HeardReply) -> None:
        body = msgspec.json.encode(heard.reply)
        headers = signed([SECRET], heard.message_id, datetime.now(UTC), body) | {"content-type": "application/json"}
        said = self._client.post(f"/v1/orders/{order_id}/callbacks", content=body, headers=headers)
        assert said.status_code == 202, said.text

    async def _sent(self, order_id: UUID) -> None:
        """Note what the worker notes once the post got through."""
        database = await Database.open(self._url)
        async with database.write(self._tenant) as tx:
            await inbound.note_outcome(tx, order_id, "sent", datetime.now(UTC))
        await database.close()
