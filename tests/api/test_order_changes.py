"""A shop gives up lines and sends pieces back, no more than there are; what was not posted yet is withdrawn."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest

from cotterline.delivery import inbound
from cotterline.store import deliveries, delivery_claims
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliverySearch
from cotterline.store.delivery_claims import Lease
from cotterline.store.tenancy import SERVICE, Tenant
from tests.api.conftest import Client
from tests.api.ordering import DEPOT, set_supplier
from tests.api.test_order_replies import Depot, code_of, happened, substitute, told
from tests.shops import Shop

FAR = datetime(2100, 1, 1, tzinfo=UTC)
"""When everything that waits is due."""


@pytest.fixture
def depot(client: Client) -> Depot:
    """Serve a shop that ordered one unit and two bolts."""
    return Depot(client)


@pytest.fixture
def quick(bench: Client) -> Depot:
    """Serve the same on one database, for what does not touch it."""
    return Depot(bench)


def change(depot: Depot, *changes: tuple[int, str] | tuple[int, str, int], note: str = "") -> httpx.Response:
    """Change lines: number, what, and how many pieces."""
    lines = [dict(zip(("line", "change", "quantity"), each, strict=False)) for each in changes]
    return depot.client.post(f"{depot.path}/changes", json={"changes": lines, "note": note})


def faults(answer: httpx.Response) -> list[str]:
    assert code_of(answer) == (422, "impossible-value")
    return [error["pointer"] for error in answer.json()["errors"]]


async def post_states(url: str, tenant: Tenant) -> Sequence[tuple[str, str]]:
    """Kind and state of every post to suppliers, the oldest first."""
    database = await Database.open(url)
    async with database.read(tenant) as tx:
        found = (await deliveries.page(tx, DeliverySearch(receiver_kind="supplier"), None, 50)).deliveries
    await database.close()
    return [(row.kind, row.state) for row in found][::-1]


async def note_sent(url: str, tenant: Tenant, order_id: str) -> None:
    """Do to the order what the worker does once its post got through."""
    database = await Database.open(url)
    lease = Lease(token=uuid4(), now=FAR, until=FAR + timedelta(minutes=1))
    async with database.write(SERVICE) as tx:
        (claimed,) = await delivery_claims.claim(tx, lease, 1)
    async with database.write(tenant) as tx:
        assert await delivery_claims.finish(tx, claimed, "delivered", FAR)
        await inbound.note_outcome(tx, UUID(order_id), "sent", FAR)
    await database.close()


@pytest.mark.anyio
async def test_a_line_given_up_is_told_to_the_supplier(depot: Depot, database_url: str, tenant: Tenant) -> None:
    await note_sent(database_url, tenant, depot.order["id"])
    answer = change(depot, (2, "cancel"), note="Bolts were in a drawer.")
    assert answer.status_code == 201, answer.text
    assert answer.json()["standing"]["lines"][1]["state"] == "cancelled"
    assert depot.client.get(depot.path).headers["etag"] == answer.headers["etag"]
    (document,) = await told(database_url, tenant)
    assert (document["note"], document["order_id"]) == ("Bolts were in a drawer.", depot.order["id"])
    assert document["changes"] == [{"line": 2, "change": "cancel", "quantity": 2, "reasons": []}]
    assert depot.now()["changes"] == document["changes"]
    assert await happened(database_url, tenant) == [("order.placed", 1), ("order.sent", 2), ("order.changed", 3)]
    entry, *_ = depot.client.get("/v1/audit", params={"subject_id": depot.order["id"]}).json()["entries"]
    assert (entry["action"], entry["detail"]["withdrawn"]) == ("order.changed", False)


@pytest.mark.anyio
async def test_an_order_given_up_before_it_was_posted_is_withdrawn(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    answer = change(depot, (1, "cancel"), (2, "cancel"))
    assert (answer.json()["state"], answer.json()["outcome"]) == ("cancelled", "cancelled")
    assert await post_states(database_url, tenant) == [("order", "cancelled")]
    assert await told(database_url, tenant) == []
    assert [each["change"] for each in depot.now()["changes"]] == ["cancel", "cancel"]
    assert faults(change(depot, (1, "cancel"), (1, "return"))) == ["/changes/0/change", "/changes/1/change"]


@pytest.mark.anyio
async def test_line_by_line_it_is_withdrawn_with_the_last(depot: Depot, database_url: str, tenant: Tenant) -> None:
    assert change(depot, (1, "cancel"), (2, "cancel", 1)).json()["outcome"] == "waiting"
    assert change(depot, (2, "cancel")).json()["outcome"] == "cancelled"
    assert await post_states(database_url, tenant) == [("order", "cancelled"), ("order_change", "waiting")]


@pytest.mark.anyio
async def test_once_posted_an_order_is_not_withdrawn_but_cancelled(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    await note_sent(database_url, tenant, depot.order["id"])
    answer = change(depot, (1, "cancel"), (2, "cancel"))
    assert (answer.json()["state"], answer.json()["outcome"]) == ("cancelled", "sent")
    assert await post_states(database_url, tenant) == [("order", "delivered"), ("order_change", "waiting")]


def test_what_is_on_its_way_is_not_cancelled_but_may_come_back(quick: Depot) -> None:
    quick.call({"says": "dispatched", "lines": [2], "quantity": 1})
    assert faults(change(quick, (2, "cancel", 2))) == ["/changes/0/quantity"]
    assert change(quick, (2, "cancel")).status_code == 201
    assert quick.now()["changes"][-1]["quantity"] == 1
    assert faults(change(quick, (2, "cancel"))) == ["/changes/0/change"]
    assert faults(change(quick, (2, "return", 2))) == ["/changes/0/quantity"]
    assert change(quick, (2, "return")).json()["standing"]["lines"][1]["returned"] == 1
    assert faults(change(quick, (2, "return"))) == ["/changes/0/change"]


def test_every_change_that_cannot_be_is_named_and_none_is_made(quick: Depot) -> None:
    wrong: tuple[Any, ...] = ((1, "cancel"), (9, "cancel"), (1, "cancel"), (2, "cancel", 3), (2, "return", 3))
    answer = change(quick, *wrong)
    assert faults(answer) == ["/changes/1/line", "/changes/2", "/changes/3/quantity", "/changes/4/quantity"]
    assert quick.now()["changes"] == []
    assert code_of(change(quick)) == (422, "invalid-body")
    assert code_of(change(quick, (1, "take_price"))) == (422, "invalid-body")


@pytest.mark.anyio
async def test_a_change_asked_for_twice_with_one_key_is_made_once(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    body = {"changes": [{"line": 2, "change": "cancel", "quantity": 1}]}
    named = {"Idempotency-Key": '"once"'}
    answers = [depot.client.post(f"{depot.path}/changes", json=body, headers=named) for _ in range(2)]
    assert answers[0].json() == answers[1].json()
    assert len(await told(database_url, tenant)) == 1


def test_a_change_the_suppliers_own_form_cannot_say_is_not_made(quick: Depot) -> None:
    set_supplier(quick.client, body={"form": "mapped", "expression": "@", "changes": "nothing"})
    assert code_of(change(quick, (1, "cancel"))) == (422, "impossible-value")
    assert quick.now()["changes"] == []
    assert quick.states()[0] == "waiting"


def test_where_the_supplier_is_gone_nothing_is_told(quick: Depot) -> None:
    assert change(quick, (1, "cancel"), (2, "cancel")).json()["outcome"] == "cancelled"
    assert quick.client.delete(f"/v1/suppliers/{DEPOT}", headers={"If-Match": "*"}).status_code == 204
    assert quick.call({"says": "accepted"}).status_code == 401
    assert quick.enter({"says": "dispatched", "lines": [1]}).status_code == 201
    assert code_of(change(quick, (1, "return"))) == (422, "impossible-value")


def test_changes_are_each_shops_own(depot: Depot, shop_b: Shop, shop_a_test: Shop) -> None:
    for other in (shop_b, shop_a_test):
        depot.client.headers.update(other.headers)
        assert change(depot, (1, "cancel")).status_code == 404


@pytest.mark.anyio
async def test_what_the_supplier_is_told_of_an_order_is_counted(
    depot: Depot, database_url: str, tenant: Tenant
) -> None:
    await note_sent(database_url, tenant, depot.order["id"])
    for pieces in (1, 1):
        assert change(depot, (2, "cancel", pieces)).status_code == 201
    assert [document["number"] for document in await told(database_url, tenant)] == [1, 2]


@pytest.mark.anyio
async def test_nothing_is_decided_of_a_line_that_was_given_up(depot: Depot, database_url: str, tenant: Tenant) -> None:
    await note_sent(database_url, tenant, depot.order["id"])
    assert change(depot, (1, "cancel")).status_code == 201
    assert depot.call(substitute()).status_code == 202
    assert depot.now()["decisions"] == []
    assert depot.states()[1] == ["cancelled", "open"]
    assert len(await told(database_url, tenant)) == 1
