"""Orders come from approved quotes alone, go out as previewed, and are placed once."""

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from threading import Event
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import order_drafts
from cotterline.api.edge import Edge
from cotterline.bench.orders import OrderDocument
from cotterline.delivery.order_files import message_id
from cotterline.documents.order_body import Body, order_body
from cotterline.store import deliveries, events, quote_revisions, quotes, receivers
from cotterline.store.database import Database
from cotterline.store.deliveries import DeliveryRow, DeliverySearch
from cotterline.store.tenancy import Tenant
from tests.api.ordering import (
    DEPOT,
    FROM_STOCK,
    JOB,
    PARTS,
    SHORTER,
    a_quote,
    act,
    an_order,
    approved,
    order,
    placed,
    set_parts,
    set_prices,
    set_supplier,
    stock,
)
from tests.shops import Shop, key

Client = TestClient[Edge]
OFFERS = [{"sku": "U-68-113", "price": "18.40", "lead_days": 2}, {"sku": "B-M8", "price": "1.20"}]
LIKELY = {**JOB, "evidence": [item for item in JOB["evidence"] if item["kind"] != "cup_hand"][:2]}
"""A bicycle of which too little was measured for an order."""


@pytest.fixture
def ready(client: Client) -> Client:
    """Serve a shop that can order."""
    stock(client)
    return client


class Posts:
    """What lies in the outbox, with its bytes."""

    def __init__(self, url: str, tenant: Tenant) -> None:
        self._url = url
        self._tenant = tenant

    async def read(self) -> list[tuple[DeliveryRow, bytes]]:
        """The oldest first."""
        database = await Database.open(self._url)
        async with database.read(self._tenant) as tx:
            found = (await deliveries.page(tx, DeliverySearch(), None, 50)).deliveries
            bodies = [await deliveries.body(tx, row.id) or b"" for row in found]
        await database.close()
        return [*zip(found, bodies, strict=True)][::-1]


@pytest.fixture
def posts(database_url: str, tenant: Tenant) -> Posts:
    """Look into the outbox of the first shop."""
    return Posts(database_url, tenant)


def preview(
    client: httpx.Client, quote_id: str, asked: Mapping[str, Any] = FROM_STOCK, **more: object
) -> httpx.Response:
    return client.post(f"/v1/quotes/{quote_id}/order-previews", json={"order": asked, **more})


def refused(answer: httpx.Response, status: int, code: str) -> dict[str, Any]:
    assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (status, code), answer.text
    found: dict[str, Any] = answer.json()
    return found


def nothing_happened(client: Client, quote_id: str) -> None:
    assert client.get("/v1/orders").json() == {"orders": []}
    assert client.get(f"/v1/quotes/{quote_id}").json()["state"] != "ordered"


def test_an_order_says_what_the_quote_does(ready: Client) -> None:
    quote_id = approved(ready)
    (made,) = placed(ready, quote_id)
    listed = ready.get(f"/v1/quotes/{quote_id}").json()["result"]["parts"]["lines"]
    document = msgspec.convert(made["document"], OrderDocument)
    assert [line.parts_line for line in document.lines] == [1, 3]
    for line, asked in zip(document.lines, (listed[0], listed[2]), strict=True):
        assert msgspec.json.decode(msgspec.json.encode(line.properties)) == asked["properties"]
        assert msgspec.to_builtins(line.quantity) == asked["quantity"]
    assert document.goods_total.amount == "20.80"
    assert (document.supplier, str(document.quote_id), document.quote_revision) == (DEPOT, quote_id, 1)
    assert made["state"] == made["outcome"] == "waiting"
    assert ready.get(f"/v1/quotes/{quote_id}").json()["state"] == "ordered"


def test_an_order_is_read_and_listed_with_where_it_stands(ready: Client) -> None:
    (made,) = placed(ready, approved(ready))
    kept = ready.get(f"/v1/orders/{made['id']}")
    assert kept.json().items() >= made.items()
    assert (kept.json()["replies"], kept.json()["decisions"], kept.json()["changes"]) == (0, [], [])
    assert ready.get(f"/v1/orders/{made['id']}", headers={"If-None-Match": kept.headers["etag"]}).status_code == 304
    (entry,) = ready.get("/v1/orders").json()["orders"]
    assert entry.items() <= made.items()
    assert "document" not in entry
    assert ready.get("/v1/orders/00000000-0000-4000-8000-000000000000").status_code == 404


def test_orders_are_found_by_state_and_quote_page_by_page(ready: Client) -> None:
    quotes = [approved(ready) for _ in range(3)]
    ids = [placed(ready, quote_id)[0]["id"] for quote_id in quotes]
    assert [entry["id"] for entry in ready.get("/v1/orders").json()["orders"]] == ids[::-1]
    first = ready.get("/v1/orders", params={"limit": 2, "state": "waiting"})
    assert 'rel="next"' in first.headers["link"]
    rest = ready.get(first.headers["link"].partition("<")[2].partition(">")[0]).json()
    assert [entry["id"] for entry in [*first.json()["orders"], *rest["orders"]]] == ids[::-1]
    assert "next_cursor" not in rest
    (of_quote,) = ready.get("/v1/orders", params={"quote_id": quotes[1]}).json()["orders"]
    assert of_quote["id"] == ids[1]
    assert ready.get("/v1/orders", params={"state": "sent"}).json() == {"orders": []}
    assert ready.get("/v1/orders", params={"state": "lost"}).status_code == 422


@pytest.mark.anyio
async def test_what_goes_out_is_what_was_previewed_to_the_byte(ready: Client, posts: Posts) -> None:
    quote_id = approved(ready)
    (shown,) = preview(ready, quote_id).json()["orders"]
    assert await posts.read() == []
    nothing_happened(ready, quote_id)
    (made,) = placed(ready, quote_id)
    ((row, body),) = await posts.read()
    assert body.decode() == shown["body"]
    assert row.content_type == shown["headers"]["content-type"]
    assert row.message_id == shown["headers"]["webhook-id"] == message_id(row.id)
    assert (row.receiver_kind, row.receiver_name, row.kind, row.state) == ("supplier", DEPOT, "order", "waiting")
    assert (row.subject_id, [str(row.id)]) == (
        UUID(made["id"]),
        ready.get(f"/v1/orders/{made['id']}").json()["deliveries"],
    )
    assert shown["document"] == made["document"]
    assert (shown["url"], shown["method"]) == ("https://depot.example/orders", "POST")


def test_a_quote_is_ordered_once(ready: Client) -> None:
    quote_id = approved(ready)
    placed(ready, quote_id)
    refused(order(ready, quote_id), 409, "wrong-state")
    refused(preview(ready, quote_id), 409, "wrong-state")
    assert len(ready.get("/v1/orders").json()["orders"]) == 1


def test_of_two_who_order_at_once_one_does(ready: Client) -> None:
    quote_id = approved(ready)
    with ThreadPoolExecutor(2) as both:
        answers = [*both.map(lambda _: order(ready, quote_id), range(2))]
    assert sorted(answer.status_code for answer in answers) == [201, 409]
    assert len(ready.get("/v1/orders").json()["orders"]) == 1


def test_asked_again_with_the_same_key_nothing_is_ordered_twice(ready: Client) -> None:
    address, named = f"/v1/quotes/{approved(ready)}/orders", {"Idempotency-Key": '"once"'}
    first = ready.post(address, json=FROM_STOCK, headers=named)
    again = ready.post(address, json=FROM_STOCK, headers=named)
    assert (again.status_code, again.json()) == (201, first.json())
    assert again.headers["idempotency-replayed"] == "true"
    assert len(ready.get("/v1/orders").json()["orders"]) == 1


@pytest.mark.parametrize("acts", [(), ("issue",), ("issue", "decline"), ("issue", "approve", "decline"), ("close",)])
def test_nothing_is_ordered_before_the_customer_agreed_or_after(ready: Client, acts: tuple[str, ...]) -> None:
    quote_id = a_quote(ready)
    for action in acts:
        more = {"approval": {"ceiling": {"amount": "400", "currency": "EUR"}, "by": "Ada Fell", "how": "letter"}}
        assert act(ready, quote_id, action, **(more if action == "approve" else {})).status_code == 200
    refused(order(ready, quote_id), 409, "wrong-state")
    refused(preview(ready, quote_id), 409, "wrong-state")
    nothing_happened(ready, quote_id)


def test_what_may_not_be_ordered_is_ordered_only_by_somebody_who_answers_for_it(ready: Client) -> None:
    quote_id = approved(ready, LIKELY)
    stands_against = ready.get(f"/v1/quotes/{quote_id}").json()["result"]["ordering"]
    assert not stands_against["allowed"]
    refused(order(ready, quote_id, {}), 409, "order-not-allowed")
    nothing_happened(ready, quote_id)
    reason = "The old cups came out as left and right of this very thread."
    (shown,) = preview(ready, quote_id, {"override": reason, **FROM_STOCK}).json()["orders"]
    (made,) = placed(ready, quote_id, {"override": reason, **FROM_STOCK})
    assert made["document"]["override"] == reason
    assert reason in shown["body"]
    (entry,) = ready.get("/v1/audit", params={"subject_id": made["id"]}).json()["entries"]
    assert (entry["action"], entry["detail"]["override"]) == ("order.placed", reason)
    assert ready.get(f"/v1/quotes/{quote_id}").json()["state"] == "ordered"


def test_where_nothing_stands_against_an_order_nothing_is_overridden(ready: Client) -> None:
    quote_id = approved(ready)
    answer = order(ready, quote_id, {"override": "because I say so", **FROM_STOCK})
    assert refused(answer, 422, "impossible-value")["errors"][0]["pointer"] == "/override"
    shown = preview(ready, quote_id, {"override": "because I say so", **FROM_STOCK})
    assert refused(shown, 422, "impossible-value")["errors"][0]["pointer"] == "/order/override"
    refused(order(ready, quote_id, {"override": "short", **FROM_STOCK}), 422, "invalid-body")
    nothing_happened(ready, quote_id)


def test_a_line_nobody_offers_is_named_and_nothing_is_ordered(ready: Client) -> None:
    quote_id = approved(ready)
    found = refused(order(ready, quote_id, {}), 409, "prices-missing")
    assert [error["pointer"] for error in found["errors"]] == ["/from_stock"]
    assert "line 2" in found["errors"][0]["detail"]
    nothing_happened(ready, quote_id)


def test_a_line_at_hand_must_be_one_that_would_be_ordered(ready: Client) -> None:
    quote_id = approved(ready)
    found = refused(order(ready, quote_id, {"from_stock": [2, 4, 99]}), 422, "impossible-value")
    assert [error["pointer"] for error in found["errors"]] == ["/from_stock/1", "/from_stock/2"]
    refused(order(ready, quote_id, {"from_stock": [1, 2, 3]}), 422, "impossible-value")
    nothing_happened(ready, quote_id)


def test_a_supplier_that_is_not_set_is_not_ordered_of(client: Client) -> None:
    set_parts(client)
    set_prices(client)
    quote_id = approved(client)
    found = refused(order(client, quote_id), 409, "supplier-missing")
    assert DEPOT in found["detail"]
    nothing_happened(client, quote_id)
    set_supplier(client)
    assert order(client, quote_id).status_code == 201


@pytest.mark.anyio
async def test_a_supplier_nothing_is_posted_to_is_passed_over(ready: Client, database_url: str, tenant: Tenant) -> None:
    quote_id = approved(ready)
    database = await Database.open(database_url)
    async with database.write(tenant) as tx:
        assert await receivers.disable(tx, "supplier", DEPOT, at=datetime.now(UTC), why="It answered 410.")
    await database.close()
    assert DEPOT in refused(order(ready, quote_id), 409, "supplier-missing")["detail"]
    nothing_happened(ready, quote_id)
    set_prices(ready, "west quay")
    set_supplier(ready, "west quay")
    (made,) = placed(ready, quote_id)
    assert made["supplier"] == "west quay"


def test_an_order_goes_by_the_settings_of_the_revision_that_was_approved(ready: Client) -> None:
    quote_id = approved(ready)
    settings = ready.get("/v1/settings")
    sent = {"If-Match": settings.headers["etag"], "Content-Type": "application/merge-patch+json"}
    assert ready.patch("/v1/settings", content=b'{"currency":"GBP"}', headers=sent).status_code == 200
    (made,) = placed(ready, quote_id)
    assert made["document"]["currency"] == "EUR"


@pytest.mark.anyio
async def test_an_answer_from_before_parts_were_priced_is_not_ordered(
    ready: Client, database_url: str, tenant: Tenant
) -> None:
    quote_id = approved(ready)
    database = await Database.open(database_url)
    async with database.write(tenant) as tx:
        first = await quote_revisions.get(tx, UUID(quote_id), 1)
        row = await quotes.get(tx, UUID(quote_id))
        assert first is not None
        assert row is not None
        result = b'{"ordering":{"allowed":true,"reasons":[]}}'
        await quote_revisions.insert(tx, msgspec.structs.replace(first, number=2, result=result))
        assert await quotes.change(tx, msgspec.structs.replace(row, revision=2), row.version)
    await database.close()
    refused(order(ready, quote_id), 409, "order-not-allowed")
    assert ready.get("/v1/orders").json() == {"orders": []}


def test_parts_that_became_too_dear_are_not_ordered_and_the_numbers_are_told(ready: Client) -> None:
    quote_id = approved(ready, ceiling=_p90(ready))
    set_prices(ready, offers=[{"sku": "U-68-113", "price": "88.40"}, {"sku": "B-M8", "price": "1.20"}])
    found = refused(order(ready, quote_id), 409, "beyond-ceiling")
    assert found["detail"].count("EUR") == 3
    nothing_happened(ready, quote_id)
    act(
        ready,
        quote_id,
        "extend",
        approval={"ceiling": {"amount": "900", "currency": "EUR"}, "by": "A", "how": "letter"},
    )
    assert order(ready, quote_id).status_code == 201


def _p90(client: Client) -> str:
    """What suffices with probability 0.9 by a quote for the same job, rounded up."""
    estimate = client.get(f"/v1/quotes/{a_quote(client)}").json()["result"]["estimate"]
    return f"{float(estimate['money']['p90']['amount']) + 1:.2f}"


def test_orders_are_split_by_supplier_with_the_cheapest_or_the_soonest(client: Client) -> None:
    set_parts(client, *PARTS, SHORTER)

    def offered(supplier: str, units: tuple[str, int], bolts: tuple[str, int]) -> None:
        asked = {"U-68-113": units, "U-68-110": units, "B-M8": bolts}
        offers = [{"sku": sku, "price": price, "lead_days": days} for sku, (price, days) in asked.items()]
        set_prices(client, supplier, offers)

    offered(DEPOT, ("18.00", 4), ("2.00", 1))
    offered("west quay", ("20.00", 1), ("1.00", 9))
    set_supplier(client)
    set_supplier(client, "west quay")

    def bought(**asked: str) -> dict[str, list[int]]:
        return {
            each["supplier"]: [line["parts_line"] for line in each["document"]["lines"]]
            for each in placed(client, approved(client), asked)
        }

    assert bought(sourcing="cheapest") == {DEPOT: [1, 2], "west quay": [3]}
    assert bought(sourcing="soonest") == {DEPOT: [3], "west quay": [1, 2]}


def test_two_lengths_go_to_one_supplier_and_one_comes_back(client: Client) -> None:
    stock(client)
    set_parts(client, *PARTS, SHORTER)
    set_prices(client, offers=[*OFFERS, {"sku": "U-68-110", "price": "17.90"}])
    (made,) = placed(client, approved(client), {})
    document = made["document"]
    assert [line["returnable"] for line in document["lines"]] == [True, True, False]
    assert document["returns"] == 1
    lengths = [p for line in document["lines"][:2] for p in line["properties"] if p["name"] == "spindle_length"]
    assert [(each["lowest"], each["value"], each["highest"]) for each in lengths] == [(113, 113, 113), (110, 110, 110)]


def test_what_was_agreed_to_besides_is_ordered_too(ready: Client) -> None:
    quote_id = a_quote(ready)
    act(ready, quote_id, "issue")
    agreement = {"ceiling": {"amount": "400", "currency": "EUR"}, "by": "A", "how": "letter", "options": ["new_chain"]}
    assert act(ready, quote_id, "approve", approval=agreement).status_code == 200
    (made,) = placed(ready, quote_id)
    assert [line["sku"] for line in made["document"]["lines"]] == ["U-68-113", "B-M8", "C-8"]
    assert made["document"]["lines"][-1]["parts_line"] == 0


def test_a_preview_shows_headers_with_stars_and_says_what_is_missing(ready: Client) -> None:
    set_supplier(ready, authentication={"kind": "basic", "user": "tide-mill"})
    quote_id = approved(ready)
    (bare,) = preview(ready, quote_id).json()["orders"]
    assert "webhook-signature" not in bare["headers"]
    assert len(bare["notes"]) == 2
    for body in ({"purpose": "signing"}, {"purpose": "credential", "text": "an invented one"}):
        assert ready.post(f"/v1/suppliers/{DEPOT}/secrets", json=body).status_code == 201
    answer = preview(ready, quote_id)
    (shown,) = answer.json()["orders"]
    assert shown["headers"]["authorization"] == "Basic ***"
    assert shown["headers"]["webhook-signature"].startswith("v1,")
    assert "an invented one" not in answer.text
    assert [*shown["notes"]] != [*bare["notes"]]


def test_a_mapping_is_tried_on_a_real_quote_before_it_is_saved(ready: Client) -> None:
    quote_id = approved(ready)
    form = {"form": "mapped", "expression": "{ref: order_id, items: lines[].{n: code, q: quantity.value}}"}
    (shown,) = preview(ready, quote_id, forms={DEPOT: form}).json()["orders"]
    assert msgspec.json.decode(shown["body"])["items"] == [{"n": "U-68-113", "q": 1}, {"n": "B-M8", "q": 2}]
    assert msgspec.json.decode(shown["body"])["ref"] == shown["document"]["order_id"]
    bad = preview(ready, quote_id, forms={DEPOT: {"form": "mapped", "expression": "lines[?"}})
    assert refused(bad, 422, "impossible-value")["errors"][0]["pointer"].startswith(f"/forms/{DEPOT}")
    empty = preview(ready, quote_id, forms={DEPOT: {"form": "mapped", "expression": "nothing"}})
    refused(empty, 422, "impossible-value")
    other = preview(ready, quote_id, forms={"west/quay": form})
    assert refused(other, 422, "impossible-value")["errors"][0]["pointer"] == "/forms/west~1quay"


DOUBLING = {"form": "mapped", "expression": "lines" + "|[@,@][]" * 7 + "|[" + ",".join(["length(@)"] * 300) + "]"}


class Watched:
    """Looks on while orders are written, and keeps them waiting: the work itself is the service's own."""

    def __init__(self) -> None:
        self.begun, self.let_go = Event(), Event()
        self.at_once, self.most = 0, 0

    def __call__(self, *asked: Any) -> Body:  # noqa: ANN401 - as the service calls it
        """Write one."""
        self.at_once += 1
        self.most = max(self.most, self.at_once)
        self.begun.set()
        assert self.let_go.wait(20), "the service waited for the mapping"
        self.at_once -= 1
        return order_body(*asked)


def test_nobody_waits_for_a_shops_mapping_but_that_shop_itself(
    caller: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    stock(caller)
    quote_id, watched = approved(caller), Watched()
    monkeypatch.setattr(order_drafts, "order_body", watched)
    with ThreadPoolExecutor(3) as pool:
        asked = [pool.submit(preview, caller, quote_id, forms={DEPOT: DOUBLING}) for _ in range(3)]
        assert watched.begun.wait(20)
        assert caller.get("/health/live").status_code == 200
        assert caller.get("/v1/orders").status_code == 200
        watched.let_go.set()
        for each in asked:
            (fault,) = refused(each.result(), 422, "impossible-value")["errors"]
            assert "takes too many steps" in fault["detail"]
    assert watched.most == 1


@pytest.mark.anyio
async def test_to_order_takes_the_scope(ready: Client, database_url: str, tenant: Tenant) -> None:
    database = await Database.open(database_url)
    quoting = await key(database, tenant, "desk", "read", "quote", "administer")
    await database.close()
    quote_id = approved(ready)
    ready.headers["authorization"] = f"Bearer {quoting}"
    refused(order(ready, quote_id), 403, "forbidden-scope")
    refused(preview(ready, quote_id), 403, "forbidden-scope")


def test_orders_are_each_shops_own(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    made = an_order(client)
    quote_id = approved(client)
    for other in (shop_b, shop_a_test):
        client.headers.update(other.headers)
        assert client.get("/v1/orders").json() == {"orders": []}
        assert client.get(f"/v1/orders/{made['id']}").status_code == 404
        refused(order(client, quote_id), 404, "not-found")
        refused(preview(client, quote_id), 404, "not-found")


@pytest.mark.anyio
async def test_every_order_is_an_event_with_all_there_is_to_know(
    ready: Client, database_url: str, tenant: Tenant
) -> None:
    (made,) = placed(ready, approved(ready))
    database = await Database.open(database_url)
    async with database.read(tenant) as tx:
        (event,) = await events.after(tx, 0, 50, ["order.placed"])
    await database.close()
    assert (event.resource_kind, event.resource_id, event.sequence) == ("order", made["id"], 1)
    assert msgspec.json.decode(event.body)["data"] == made
