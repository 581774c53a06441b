"""Subscriptions are made with a secret shown once, changed by the version seen, tried, replayed, ended."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples, subscription_posts
from cotterline.api.edge import Edge
from cotterline.delivery.receiver_events import disable
from cotterline.delivery.signatures import check_secret
from cotterline.store.database import Database
from cotterline.store.tenancy import Tenant
from tests.api.test_events import quoted
from tests.shops import Shop, key

Client = TestClient[Edge]
PATH = "/v1/subscriptions"
BODY: dict[str, Any] = msgspec.json.decode(examples.read("subscription"))
EVERYTHING = {"endpoint": "https://till.example/events"}
ANY = {"If-Match": "*"}
MERGE = {"Content-Type": "application/merge-patch+json", **ANY}
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def made(client: Client, body: object = EVERYTHING) -> str:
    answer = client.post(PATH, json=body)
    assert answer.status_code == 201, answer.text
    return str(answer.headers["location"])


def patch(client: Client, path: str, change: object, headers: dict[str, str] = MERGE) -> httpx.Response:
    return client.patch(path, content=msgspec.json.encode(change), headers=headers)


def posts(client: Client, **query: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/deliveries", params=query).json()["deliveries"]
    return found


def faults(answer: httpx.Response) -> list[str]:
    assert answer.status_code == 422, answer.text
    return [error["pointer"] for error in answer.json()["errors"]]


async def disabled(database_url: str, tenant: Tenant, path: str) -> None:
    database = await Database.open(database_url)
    async with database.write(tenant) as tx:
        await disable(tx, "subscription", path.rpartition("/")[2], at=NOON, why="it said so")
    await database.close()


def test_a_subscription_is_made_with_a_secret_that_is_shown_once(client: Client) -> None:
    answer = client.post(PATH, json=BODY, headers={"Idempotency-Key": '"1"'})
    secret = answer.json()["secret"]
    assert [*check_secret(secret, "")] == []
    shown = client.get(answer.headers["location"])
    assert shown.headers["etag"] == answer.headers["etag"]
    assert shown.json() == {name: value for name, value in answer.json().items() if name != "secret"}
    assert shown.json().items() >= BODY.items()
    assert shown.json()["state"] == "ready"
    again = client.post(PATH, json=BODY, headers={"Idempotency-Key": '"1"'})
    assert again.json() == answer.json()
    assert client.post(PATH, json=BODY).json()["secret"] != secret
    assert secret not in client.get("/v1/audit").text


async def test_the_secret_is_kept_nowhere_as_it_is_and_shown_again_to_the_same_key_alone(
    client: Client, database_url: str, tenant: Tenant
) -> None:
    database = await Database.open(database_url)
    other = await key(database, tenant, "another")
    await database.close()
    secret = client.post(PATH, json=BODY, headers={"Idempotency-Key": '"1"'}).json()["secret"]
    stolen = client.post(PATH, json=BODY, headers={"Idempotency-Key": '"1"', "Authorization": f"Bearer {other}"})
    assert stolen.status_code == 422
    assert secret not in stolen.text
    if database_url.startswith("sqlite"):
        file = Path(database_url.removeprefix("sqlite:///"))
        assert not [path for path in file.parent.glob(f"{file.name}*") if secret[6:].encode() in path.read_bytes()]


def test_the_secret_signs_and_is_taken_over_from(client: Client) -> None:
    path = made(client)
    (first,) = client.get(f"{path}/secrets").json()["secrets"]
    assert (first["purpose"], first["state"]) == ("signing", "live")
    taken = client.post(f"{path}/secrets", json={"purpose": "signing", "overlap_hours": 1})
    assert taken.status_code == 201
    told = client.get(f"{path}/secrets").json()["secrets"]
    assert [entry["id"] for entry in told] == [taken.json()["id"], first["id"]]
    assert "ends_at" in told[1]
    assert client.delete(f"{path}/secrets/{first['id']}").status_code == 204
    assert [entry["state"] for entry in client.get(f"{path}/secrets").json()["secrets"]] == ["live", "ended"]
    assert client.post(f"{path}/secrets", json={"purpose": "reply"}).status_code == 422


def test_a_subscription_is_changed_by_the_version_seen(client: Client) -> None:
    path = made(client, BODY)
    tag = client.get(path).headers["etag"]
    assert patch(client, path, {"note": "x"}, {"Content-Type": MERGE["Content-Type"]}).status_code == 428
    changed = patch(client, path, {"note": "moved", "types": None}, MERGE | {"If-Match": tag})
    assert (changed.json()["note"], changed.json()["types"]) == ("moved", [])
    assert patch(client, path, {"note": "late"}, MERGE | {"If-Match": tag}).status_code == 412
    assert client.get(path).json() == changed.json()
    assert client.get(path, headers={"If-None-Match": changed.headers["etag"]}).status_code == 304


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"endpoint": "http://till.example/"}, "/endpoint"),
        ({"endpoint": "https://user@till.example/"}, "/endpoint"),
        ({"types": ["quote.issued", "quote.closed", "quote.issued"]}, "/types/2"),
        ({"types": ["quote.made"]}, "/types/0"),
        ({"timeout_seconds": 31}, "/timeout_seconds"),
        ({"note": "x" * 201}, "/note"),
        ({"secret": "x"}, "/secret"),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_place(bench: Client, change: dict[str, Any], pointer: str) -> None:
    assert faults(bench.post(PATH, json=BODY | change)) == [pointer]
    path = made(bench)
    assert faults(patch(bench, path, change)) == [pointer]
    assert bench.get(path).json()["note"] == ""


def test_lists_give_every_subscription_page_by_page_newest_first(client: Client) -> None:
    paths = [made(client) for _ in range(3)]
    first = client.get(PATH, params={"limit": 2})
    rest = client.get(first.links["next"]["url"])
    told = [f"{PATH}/{entry['id']}" for page in (first, rest) for entry in page.json()["subscriptions"]]
    assert told == paths[::-1]
    assert "next" not in rest.links


def test_there_is_a_most_that_a_shop_can_have(bench: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cotterline.store.receivers.MOST", {"subscription": 2})
    path = made(bench)
    made(bench)
    refused = bench.post(PATH, json=EVERYTHING)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/quota-reached")
    assert bench.delete(path, headers=ANY).status_code == 204
    made(bench)


def test_events_are_put_out_to_it_byte_for_byte_until_it_ends(client: Client) -> None:
    path = made(client, {**EVERYTHING, "types": ["quote.issued"]})
    quoted(client, "issue")
    (entry,) = posts(client)
    assert (entry["receiver"], entry["state"], entry["kind"]) == (path.rpartition("/")[2], "waiting", "event")
    event = client.get("/v1/events/2")
    assert client.get(f"/v1/deliveries/{entry['id']}").json()["body"] == event.text
    assert entry["message_id"] == event.json()["id"]
    assert client.delete(path, headers=ANY).status_code == 204
    assert posts(client)[0]["state"] == "cancelled"
    assert client.get(path).status_code == 404
    quoted(client, "issue")
    assert len(posts(client)) == 1


def test_a_test_event_goes_to_the_one_that_asked_whatever_it_wants(client: Client) -> None:
    path = made(client, {**EVERYTHING, "types": ["quote.issued"]})
    made(client)
    sent = client.post(f"{path}/test-events")
    assert sent.status_code == 202
    (post,) = posts(client)
    assert (post["receiver"], post["message_id"]) == (path.rpartition("/")[2], sent.json()["message_id"])
    event = client.get(f"/v1/events/{sent.json()['position']}").json()
    assert (event["type"], event["data"]) == ("test.sent", {"subscription_id": post["receiver"]})


def test_a_replay_posts_what_it_wants_of_a_range_under_the_ids_it_had(client: Client) -> None:
    quoted(client, "issue", "decline", "revise", "issue", "close")
    path = made(client, {**EVERYTHING, "types": ["quote.issued", "quote.closed"]})
    answer = client.post(f"{path}/replays", json={"from_position": 2, "to_position": 5})
    assert answer.status_code == 202
    assert answer.json() == {"from_position": 2, "to_position": 5, "posts": 2}
    events = {event["id"]: event["position"] for event in client.get("/v1/events").json()["events"]}
    assert sorted(events[post["message_id"]] for post in posts(client)) == [2, 5]
    rest = client.post(f"{path}/replays", json={"from_position": 2})
    assert rest.json() == {"from_position": 2, "to_position": 6, "posts": 3}
    assert len({post["id"] for post in posts(client)}) == 5
    assert len({post["message_id"] for post in posts(client)}) == 3


def test_a_long_replay_goes_on_until_its_end(bench: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subscription_posts, "_CHUNK", 2)
    quoted(bench, "issue", "decline", "revise", "issue", "close")
    path = made(bench)
    for last in range(1, 7):
        asked = {"from_position": 1, "to_position": last}
        assert bench.post(f"{path}/replays", json=asked).json()["posts"] == last


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"from_position": 3, "to_position": 2}, "/to_position"),
        ({"from_position": 5}, "/from_position"),
        ({"from_position": 0}, "/from_position"),
        ({"from_position": 1}, "/from_position"),
    ],
)
def test_a_range_that_cannot_be_is_refused(
    bench: Client, monkeypatch: pytest.MonkeyPatch, asked: dict[str, int], pointer: str
) -> None:
    monkeypatch.setattr(subscription_posts, "MOST_REPLAYED", 3)
    quoted(bench, "issue", "decline", "revise")
    path = made(bench)
    assert faults(bench.post(f"{path}/replays", json=asked)) == [pointer]
    assert bench.post(f"{path}/replays", json={"from_position": 2}).json()["posts"] == 3


async def test_to_a_disabled_one_nothing_is_posted_until_it_is_enabled(
    client: Client, database_url: str, tenant: Tenant
) -> None:
    path = made(client)
    quoted(client)
    tag = client.get(path).headers["etag"]
    await disabled(database_url, tenant, path)
    shown = client.get(path)
    assert (shown.json()["state"], shown.json()["disabled_why"]) == ("disabled", "it said so")
    assert shown.headers["etag"] != tag
    assert [post["state"] for post in posts(client)] == ["held"]
    quoted(client)
    assert len(posts(client)) == 1
    assert client.post(f"{path}/test-events").status_code == 409
    assert client.post(f"{path}/replays", json={"from_position": 1}).status_code == 409
    assert client.post(f"{path}/enablements").json()["state"] == "ready"
    assert [post["state"] for post in posts(client)] == ["waiting"]
    assert client.post(f"{path}/enablements").json()["state"] == "ready"


def test_another_shop_sees_none_of_it(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    path = made(client)
    quoted(client)
    for other in (shop_b, shop_a_test):
        assert client.get(path, headers=other.headers).status_code == 404
        assert client.post(f"{path}/test-events", headers=other.headers).status_code == 404
        assert client.get("/v1/deliveries", headers=other.headers).json() == {"deliveries": []}
        quoted_there = client.post("/v1/quotes", json={"evidence": []}, headers=other.headers)
        assert quoted_there.status_code in {201, 422}
    assert len(posts(client)) == 1
