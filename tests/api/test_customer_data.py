"""What is kept of a customer's job can be given out whole, and the customer's words erased from all of it."""

import asyncio
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import msgspec
import pytest
from sqlalchemy import RowMapping, select

from cotterline.delivery.recording import Tried, record
from cotterline.delivery.schedule import Answer
from cotterline.store import delivery_claims
from cotterline.store.address import driver_url
from cotterline.store.database import Database
from cotterline.store.delivery_claims import Lease
from cotterline.store.tables import metadata
from cotterline.store.tenancy import SERVICE, owned
from tests.api import fitting, ordering
from tests.api.conftest import Client
from tests.conftest import Backend
from tests.shops import Shop, Shops

NAME = "Wilhelmina Quill"
"""An invented customer, whose name stands wherever a shop can write one."""

PLACES = {
    "quotes.reference",
    "quotes.metadata",
    "quote_transitions.note",
    "approvals.given_by",
    "orders.document",
    "order_changes.content",
    "order_replies.content",
    "fit_reports.request",
    "events.body",
    "deliveries.body",
    "delivery_attempts.answer",
    "kept_answers.body",
}
"""Every column that her name gets into."""

JOB = {**ordering.SURE, "reference": f"Roadster of {NAME}", "metadata": {"customer": NAME, "slip": "4417"}}


def a_job(client: Client, url: str) -> str:
    """Have a job done for her, with everything that can be said of it said, and give the quote's id."""
    assert client.post("/v1/subscriptions", json={"endpoint": "https://till.example/events"}).status_code == 201
    ordering.stock(client)
    quote_id = ordering.a_quote(client, JOB)
    assert ordering.act(client, quote_id, "issue", note=f"Handed to {NAME}").status_code == 200
    assert client.post(f"/v1/quotes/{quote_id}/estimate-links", json={}).status_code == 201
    approval = {"ceiling": {"amount": "400", "currency": "EUR"}, "by": NAME, "how": "telephone"}
    assert ordering.act(client, quote_id, "approve", approval=approval).status_code == 200
    (order,) = ordering.placed(client, quote_id, {})
    post_all(url)
    fitting.reported(client, quote_id, 42.1, remarks=f"{NAME} rides hard")
    refused = {"says": "rejected", "lines": [1], "reason": NAME}
    said = {"at": datetime.now(UTC), "note": f"For {NAME}?", "says": [refused]}
    replied = client.post(f"/v1/orders/{order['id']}/replies", content=msgspec.json.encode(said), headers=JSON)
    assert replied.status_code == 201, replied.text
    change = {"changes": [{"line": 1, "change": "cancel"}], "note": f"{NAME} sold it."}
    changed = client.post(f"/v1/orders/{order['id']}/changes", json=change)
    assert changed.status_code == 201, changed.text
    patch = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    assert (
        client.patch(f"/v1/quotes/{quote_id}", json={"reference": f"{NAME}, Kiln Row 3"}, headers=patch).status_code
        == 200
    )
    assert ordering.act(client, quote_id, "close", note=f"Paid by {NAME}").status_code == 200
    return quote_id


JSON = {"Content-Type": "application/json"}


def post_all(url: str) -> int:
    """Report on every post that is due as if its receiver had taken it, and had said in answer what it was sent."""

    async def report() -> int:
        database = await Database.open(url)
        now = datetime.now(UTC)
        async with database.write(SERVICE) as tx:
            lease = Lease(token=uuid4(), now=now, until=now + timedelta(minutes=1))
            claimed = await delivery_claims.claim(tx, lease, 1000)
        for each in claimed:
            came = Answer(status=200, body=f"Thank you, {NAME}.".encode())
            async with database.write(each.tenant) as tx:
                await record(tx, each, Tried(came=came, started_at=now, ended_at=now, chance=0.5))
        await database.close()
        return len(claimed)

    posts = 0
    while some := asyncio.run(report()):  # four at a time to one receiver
        posts += some
    return posts


def places(url: str, everybody: Shops) -> set[str]:
    """Every column of every table in which her name is found, whosesoever the row."""

    async def search() -> set[str]:
        database = await Database.open(url)
        found: set[str] = set()
        for tenant in [shop.tenant for shop in everybody]:
            async with database.read(tenant) as tx:
                for table in metadata.sorted_tables:
                    mine = select(table).where(owned(table, tenant)) if "shop_id" in table.c else select(table)
                    found |= {f"{table.name}.{name}" for row in await tx.rows(mine) for name in _naming(row)}
        await database.close()
        return found

    return asyncio.run(search())


def _naming(row: RowMapping) -> Iterator[str]:
    for name, value in row.items():
        text = value.decode(errors="replace") if isinstance(value, bytes) else str(value)
        if NAME in text:
            yield name


def erase(client: Client, quote_id: str, tag: str = "") -> Any:  # noqa: ANN401 - whatever client it is
    """Ask for it."""
    wanted = tag or client.get(f"/v1/quotes/{quote_id}").headers["etag"]
    return client.request("DELETE", f"/v1/quotes/{quote_id}/customer-data", headers={"If-Match": wanted})


def test_nothing_of_her_is_left_in_any_column_of_any_table(
    client: Client, database_url: str, shops_there: Shops, backend: Backend
) -> None:
    quote_id = a_job(client, database_url)
    post_all(database_url)
    assert places(database_url, shops_there) == PLACES
    before = client.get(f"/v1/quotes/{quote_id}")
    revision = client.get(f"/v1/quotes/{quote_id}/revisions/1").content
    erased = erase(client, quote_id)
    assert erased.status_code == 200, erased.text
    assert places(database_url, shops_there) == set()
    if backend == "sqlite":
        assert not any(NAME.encode() in part for part in _file(database_url))
    told = erased.json()
    assert (told["metadata"], "reference" in told, erased.headers["etag"] == before.headers["etag"]) == (
        {},
        False,
        False,
    )
    assert told["erased_at"]
    assert told["result"] == before.json()["result"]
    assert client.get(f"/v1/quotes/{quote_id}").json() == told
    assert client.get(f"/v1/quotes/{quote_id}/revisions/1").content == revision


def _file(url: str) -> Iterator[bytes]:
    """The bytes of the database's file, everything written moved there first."""
    path = driver_url(url).database
    assert path is not None
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
    connection.close()
    with open(path, "rb") as file:  # noqa: PTH123 - a path as the address has it
        yield file.read()


def test_what_was_ordered_agreed_and_measured_stays(client: Client, database_url: str) -> None:
    quote_id = a_job(client, database_url)
    post_all(database_url)
    before = client.get(f"/v1/quotes/{quote_id}/customer-data").json()
    assert erase(client, quote_id).status_code == 200
    after = client.get(f"/v1/quotes/{quote_id}/customer-data").json()
    (order,), (was,) = after["orders"], before["orders"]
    assert order["document"] == {name: value for name, value in was["document"].items() if name != "reference"}
    assert (order["standing"], order["version"]) == (was["standing"], was["version"] + 1)
    (report,), (reported,) = after["fit_reports"], before["fit_reports"]
    assert report == {**reported, "request": {**reported["request"], "remarks": ""}}
    (agreed,), (was_agreed,) = after["approvals"], before["approvals"]
    assert agreed == {**was_agreed, "by": "erased"}
    assert [each["position"] for each in after["events"]][:-1] == [each["position"] for each in before["events"]]
    assert after["events"][-1]["type"] == "quote.erased"
    assert [each["action"] for each in after["audit"]][-2:] == ["estimate_link.ended", "quote.erased"]
    assert [each["state"] for each in after["links"]] == ["ended"]


def test_all_that_is_kept_is_given_out(client: Client, database_url: str) -> None:
    quote_id = a_job(client, database_url)
    posts = post_all(database_url)
    answer = client.get(f"/v1/quotes/{quote_id}/customer-data")
    told = answer.json()
    assert answer.text.count(NAME) > 20
    assert told["quote"]["id"] == quote_id
    assert told["approvals"][0]["by"] == NAME
    assert told["order_replies"][0]["reply"]["note"] == f"For {NAME}?"
    assert told["order_changes"][0]["note"] == f"{NAME} sold it."
    assert told["recheck_visit"]["quote_id"] == quote_id
    kinds = {each["type"].partition(".")[0] for each in told["events"]}
    assert kinds == {"quote", "order", "fit_report"}
    assert {each["kind"] for each in told["deliveries"]} == {"order", "order_change", "event"}
    assert len(told["deliveries"]) > posts
    assert [each["number"] for each in told["revisions"]] == [1]


def test_the_fit_report_and_the_order_are_known_to_be_others_than_before(client: Client, database_url: str) -> None:
    quote_id = a_job(client, database_url)
    post_all(database_url)
    job = client.get(f"/v1/quotes/{quote_id}/customer-data").json()
    addresses = [f"/v1/fit-reports/{job['fit_reports'][0]['id']}", f"/v1/orders/{job['orders'][0]['id']}"]
    tags = [client.get(address).headers["etag"] for address in addresses]
    erase(client, quote_id)
    for address, tag in zip(addresses, tags, strict=True):
        again = client.get(address, headers={"If-None-Match": tag})
        assert (again.status_code, NAME in again.text) == (200, False)
        assert client.get(address, headers={"If-None-Match": again.headers["etag"]}).status_code == 304


@pytest.mark.parametrize("state", ["issued", "approved", "ordered"])
def test_a_quote_that_somebody_waits_for_is_left_alone(client: Client, state: str) -> None:
    ordering.stock(client)
    quote_id = ordering.a_quote(client, JOB)
    for action in ("issue", "approve", "order")[: ("issued", "approved", "ordered").index(state) + 1]:
        approval = {"approval": {"ceiling": {"amount": "400", "currency": "EUR"}, "by": NAME, "how": "telephone"}}
        assert ordering.act(client, quote_id, action, **(approval if action == "approve" else {})).status_code == 200
    refused = erase(client, quote_id)
    assert (refused.status_code, refused.json()["type"].rpartition("/")[2]) == (409, "wrong-state")
    assert refused.json()["detail"].startswith(f"The quote is {state}: close it first")
    assert NAME in client.get(f"/v1/quotes/{quote_id}").text


def test_while_an_order_is_to_be_posted_nothing_is_erased(
    client: Client, database_url: str, shops_there: Shops
) -> None:
    ordering.stock(client)
    quote_id = ordering.approved(client, JOB)
    ordering.placed(client, quote_id, {})
    assert ordering.act(client, quote_id, "close").status_code == 200
    refused = erase(client, quote_id)
    assert (refused.status_code, "still to be posted" in refused.json()["detail"]) == (409, True)
    assert places(database_url, shops_there) >= {"quotes.reference", "orders.document", "events.body"}
    post_all(database_url)
    assert erase(client, quote_id).status_code == 200
    assert places(database_url, shops_there) == set()


def test_a_post_to_a_supplier_is_not_made_again_without_its_words(client: Client, database_url: str) -> None:
    quote_id = a_job(client, database_url)
    post_all(database_url)
    erase(client, quote_id)
    posts = client.get("/v1/deliveries", params={"receiver_kind": "supplier"}).json()["deliveries"]
    for post in posts:
        shown = client.get(f"/v1/deliveries/{post['id']}").json()
        assert (shown["body"], "erased_at" in shown) == ("", True)
        assert client.post(f"/v1/deliveries/{post['id']}/retries").status_code == 409


def test_an_event_is_posted_and_read_without_her_words_from_then_on(client: Client, database_url: str) -> None:
    quote_id = a_job(client, database_url)  # the last events are still to be posted
    post_all(database_url)
    assert ordering.act(client, ordering.a_quote(client, JOB), "close").status_code == 200
    erase(client, quote_id)
    waiting = client.get("/v1/deliveries", params={"state": "waiting"}).json()["deliveries"]
    bodies = [client.get(f"/v1/deliveries/{each['id']}").json()["body"] for each in waiting]
    told = {event["id"]: event for event in client.get("/v1/events").json()["events"]}
    assert all(msgspec.json.decode(body) == told[msgspec.json.decode(body)["id"]] for body in bodies)
    mine = [event for event in told.values() if event["data"].get("id") == quote_id]
    assert NAME not in str(mine)
    assert [event["data"]["erased_at"] for event in mine[-1:]]


def test_a_request_sent_again_is_not_done_again_and_says_that_its_answer_is_gone(
    client: Client, shops_there: Shops, database_url: str
) -> None:
    key = {"Idempotency-Key": f'"{uuid4()}"'}
    quote_id = client.post("/v1/quotes", json=JOB, headers=key).json()["id"]
    other = {"Idempotency-Key": f'"{uuid4()}"'}
    client.post("/v1/quotes", json=ordering.SURE, headers=other)
    assert erase(client, quote_id).status_code == 200  # a draft
    again = client.post("/v1/quotes", json=JOB, headers=key)
    assert (again.status_code, again.json()["type"].rpartition("/")[2]) == (409, "answer-forgotten")
    assert client.post("/v1/quotes", json=ordering.SURE, headers=other).headers["idempotency-replayed"] == "true"
    assert len(client.get("/v1/quotes").json()["quotes"]) == 2
    assert places(database_url, shops_there) == set()


def test_what_is_written_afterwards_is_not_called_erased_and_can_be_erased_again(client: Client) -> None:
    quote_id = ordering.a_quote(client, JOB)
    assert "erased_at" in erase(client, quote_id).json()
    patch = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    again = client.patch(f"/v1/quotes/{quote_id}", json={"reference": NAME}, headers=patch).json()
    assert ("erased_at" in again, again["reference"]) == (False, NAME)
    assert "reference" not in erase(client, quote_id).json()


def test_only_who_has_seen_the_version_erases_it(client: Client) -> None:
    quote_id = ordering.a_quote(client, JOB)
    assert erase(client, quote_id, '"7-draft"').status_code == 412
    assert client.request("DELETE", f"/v1/quotes/{quote_id}/customer-data").status_code == 428
    assert NAME in client.get(f"/v1/quotes/{quote_id}").text


def test_another_shop_and_another_mode_see_and_erase_nothing(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    quote_id = ordering.a_quote(client, JOB)
    for other in (shop_b, shop_a_test):
        headers = {**other.headers, "If-Match": "*"}
        assert client.get(f"/v1/quotes/{quote_id}/customer-data", headers=headers).status_code == 404
        assert client.request("DELETE", f"/v1/quotes/{quote_id}/customer-data", headers=headers).status_code == 404
    assert NAME in client.get(f"/v1/quotes/{quote_id}").text


def test_what_was_erased_meanwhile_is_not_erased_again(client: Client) -> None:
    quote_id = ordering.a_quote(client, JOB)
    tag = client.get(f"/v1/quotes/{quote_id}").headers["etag"]
    assert [erase(client, quote_id, tag).status_code for _ in range(2)] == [200, 412]
    told = [event["type"] for event in client.get("/v1/events").json()["events"]]
    assert told == ["quote.created", "quote.erased"]
