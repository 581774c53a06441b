"""Orders and changes reach a real supplier as they were previewed, and what it answers settles them."""

import os
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from lxml import etree

from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.delivery.signatures import SIGNATURE, TIMESTAMP, verified
from cotterline.main import create_app
from cotterline.store.cipher import Cipher
from cotterline.store.database import Database
from tests.api.conftest import SECRET_KEY, Client, name_request, settings
from tests.api.ordering import DEPOT, SURE, approved, placed, set_supplier, stock
from tests.api.test_order_replies import reply, substitute
from tests.delivery.outbox import LOOPBACK, Receiving, answering, receiving
from tests.shops import Shop

pytestmark = pytest.mark.anyio
OUTSIDE = "https://bench.example/cotterline"


@pytest.fixture
def shop(database_url: str, shop_a: Shop) -> Iterator[Client]:
    """Serve a shop that can order, where the operator opened this machine's own network."""
    opened = settings(database_url, open_networks="127.0.0.0/8", public_base_url=OUTSIDE)
    with TestClient(create_app(opened), raise_server_exceptions=False) as client:
        client.headers.update(shop_a.headers)
        client.event_hooks = {"request": [name_request]}
        stock(client)
        yield client


@pytest.fixture
async def depot() -> AsyncIterator[Receiving]:
    """Run the supplier."""
    async with receiving() as depot:
        yield depot


@pytest.fixture
async def worker(database: Database) -> AsyncIterator[Worker]:
    """Post what is due by the true clock."""
    async with Poster(LOOPBACK) as poster:
        yield Worker(database, Cipher([SECRET_KEY]), poster)


def preview(shop: Client, quote_id: str) -> dict[str, Any]:
    answer = shop.post(f"/v1/quotes/{quote_id}/order-previews", json={})
    assert answer.status_code == 200, answer.text
    (found,) = answer.json()["orders"]
    shown: dict[str, Any] = found
    return shown


def read(shop: Client, order: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = shop.get(f"/v1/orders/{order['id']}").json()
    return found


@pytest.mark.parametrize(
    "form",
    [
        {"form": "json"},
        {"form": "ubl"},
        {"form": "mapped", "expression": "{no: order_id, lines: lines[].[code, quantity.value]}"},
    ],
    ids=lambda form: str(form["form"]),
)
async def test_the_supplier_receives_the_very_bytes_and_headers_of_the_preview(
    shop: Client, depot: Receiving, worker: Worker, form: dict[str, Any]
) -> None:
    set_supplier(shop, endpoint=depot.endpoint, body=form, authentication={"kind": "bearer"})
    secrets = f"/v1/suppliers/{DEPOT}/secrets"
    signing = shop.post(secrets, json={"purpose": "signing"}).json()["text"]
    shop.post(secrets, json={"purpose": "credential", "text": "an-invented-token"})
    quote_id = approved(shop, SURE)
    shown = preview(shop, quote_id)
    (order,) = placed(shop, quote_id, {})
    await worker.run_due()
    (heard,) = depot.heard
    assert heard.body == shown["body"].encode()
    assert heard.headers["authorization"] == "Bearer an-invented-token"
    same = shown["headers"].keys() - {"authorization", TIMESTAMP, SIGNATURE}
    assert {name: heard.headers[name] for name in same} == {name: shown["headers"][name] for name in same}
    assert verified([signing], heard.headers, heard.body, datetime.now(UTC)) == heard.message_id
    assert (read(shop, order)["state"], read(shop, order)["outcome"]) == ("sent", "sent")
    assert shown["url"] == depot.endpoint


async def test_an_order_says_where_replies_go(shop: Client, depot: Receiving, worker: Worker) -> None:
    set_supplier(shop, endpoint=depot.endpoint)
    (order,) = placed(shop, approved(shop, SURE), {})
    await worker.run_due()
    sent = msgspec.json.decode(depot.heard[0].body)
    assert sent == order["document"]
    assert sent["reply_to"] == f"{OUTSIDE}/v1/orders/{order['id']}/callbacks"


async def test_a_reply_in_the_answer_to_the_post_settles_the_order(
    shop: Client, depot: Receiving, worker: Worker
) -> None:
    set_supplier(shop, endpoint=depot.endpoint)
    depot.answers = answering(200, reply({"says": "accepted", "lines": [1]}, {"says": "rejected", "lines": [2]}))
    (order,) = placed(shop, approved(shop, SURE), {})
    await worker.run_due()
    assert read(shop, order)["state"] == "partly_accepted"
    (kept,) = shop.get(f"/v1/orders/{order['id']}/replies").json()["replies"]
    assert (kept["source"], kept["by"]) == ("answer", DEPOT)


async def test_what_was_decided_by_rule_reaches_the_supplier(shop: Client, depot: Receiving, worker: Worker) -> None:
    set_supplier(shop, endpoint=depot.endpoint)
    depot.answers = answering(200, reply(substitute(spindle_length=122.5)))
    (order,) = placed(shop, approved(shop, SURE), {})
    await worker.run_due()
    first, second = (msgspec.json.decode(heard.body) for heard in depot.heard)
    assert (first["document"], second["document"]) == ("order", "order_change")
    assert second["order_id"] == first["order_id"]
    assert [(change["line"], change["change"]) for change in second["changes"]] == [(1, "refuse")]
    assert read(shop, order)["standing"]["lines"][0]["state"] == "rejected"
    assert len({heard.message_id for heard in depot.heard}) == 2


async def test_what_was_withdrawn_is_never_posted(shop: Client, depot: Receiving, worker: Worker) -> None:
    set_supplier(shop, endpoint=depot.endpoint)
    (order,) = placed(shop, approved(shop, SURE), {})
    everything = {"changes": [{"line": line["number"], "change": "cancel"} for line in order["document"]["lines"]]}
    shop.post(f"/v1/orders/{order['id']}/changes", json=everything)
    await worker.run_due()
    assert depot.heard == []
    assert read(shop, order)["state"] == "cancelled"


@pytest.mark.skipif("UBL_SCHEMA_DIR" not in os.environ, reason="download UBL-2.1.zip of OASIS, set UBL_SCHEMA_DIR")
async def test_order_and_cancellation_fit_the_published_schemas_on_the_wire(
    shop: Client, depot: Receiving, worker: Worker
) -> None:
    """OASIS, Universal Business Language 2.1 (2013), schemas of Order and OrderCancellation."""
    set_supplier(shop, endpoint=depot.endpoint, body={"form": "ubl"})
    (order,) = placed(shop, approved(shop, SURE), {})
    await worker.run_due()
    everything = {"changes": [{"line": line["number"], "change": "cancel"} for line in order["document"]["lines"]]}
    assert shop.post(f"/v1/orders/{order['id']}/changes", json=everything).status_code == 201
    await worker.run_due()
    roots = [etree.fromstring(heard.body) for heard in depot.heard]
    assert [etree.QName(root).localname for root in roots] == ["Order", "OrderCancellation"]
    for root in roots:
        name = etree.QName(root).localname
        schema = etree.XMLSchema(file=f"{os.environ['UBL_SCHEMA_DIR']}/maindoc/UBL-{name}-2.1.xsd")
        schema.assertValid(root)
