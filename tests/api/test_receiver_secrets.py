"""A secret is shown once, kept encrypted, ended or taken over from, and never told of in words."""

from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.delivery.signatures import check_secret
from tests.shops import Shop

Client = TestClient[Edge]
DEPOT = "/v1/suppliers/north depot"
SECRETS = f"{DEPOT}/secrets"
OWN = "whsec_" + "MTIzNDU2Nzg5MDEyMzQ1Njc4OTAxMjM0"


@pytest.fixture
def depot(client: Client) -> Client:
    """Serve a shop that has a supplier."""
    body = msgspec.json.decode(examples.read("supplier"))
    assert client.put(DEPOT, json=body, headers={"If-None-Match": "*"}).status_code == 200
    return client


def made(client: Client, status: int = 201, /, **body: object) -> dict[str, Any]:
    answer = client.post(SECRETS, json=body)
    assert answer.status_code == status, answer.text
    found: dict[str, Any] = answer.json()
    return found


def told(client: Client) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(SECRETS).json()["secrets"]
    return found


@pytest.mark.parametrize("purpose", ["signing", "reply"])
def test_a_secret_to_sign_with_is_made_at_random_and_shown_once(depot: Client, purpose: str) -> None:
    first, second = made(depot, purpose=purpose), made(depot, purpose=purpose)
    assert first["text"] != second["text"]
    assert not [*check_secret(first["text"], "")]
    entries = depot.get(SECRETS)
    assert first["text"] not in entries.text
    assert "text" not in entries.text
    assert [entry["id"] for entry in told(depot)] == [second["id"], first["id"]]


def test_a_secret_that_is_brought_is_kept_as_it_is(depot: Client) -> None:
    assert made(depot, purpose="reply", text=OWN)["text"] == OWN
    assert made(depot, purpose="credential", text="an invented one")["text"] == "an invented one"


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"purpose": "credential"}, "/text"),
        ({"purpose": "signing", "text": "not one"}, "/text"),
        ({"purpose": "signing", "text": "whsec_c2hvcnQ="}, "/text"),
        ({"purpose": "credential", "text": "two\nlines"}, "/text"),
        ({"purpose": "credential", "text": " led by a space"}, "/text"),
        ({"purpose": "credential", "text": ""}, "/text"),
        ({"purpose": "credential", "text": "caf\u00e9"}, "/text"),
        ({"purpose": "credential", "text": "x" * 1001}, "/text"),
        ({"purpose": "reply", "overlap_hours": 169}, "/overlap_hours"),
        ({"purpose": "reply", "overlap_hours": -1}, "/overlap_hours"),
        ({"purpose": "other"}, "/purpose"),
    ],
)
def test_what_is_no_secret_is_refused_without_repeating_it(depot: Client, body: dict[str, Any], pointer: str) -> None:
    refused = depot.post(SECRETS, json=body)
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]
    assert not body.get("text") or body["text"] not in refused.text
    assert told(depot) == []


def test_the_newest_takes_over_after_the_overlap_and_a_third_waits(depot: Client) -> None:
    first = made(depot, purpose="reply")
    assert "ends_at" not in first
    made(depot, purpose="reply", overlap_hours=48)
    made(depot, 409, purpose="reply")
    made(depot, purpose="signing")
    older = next(entry for entry in told(depot) if entry["id"] == first["id"])
    assert older["state"] == "live"
    assert older["ends_at"] > older["created_at"]


def test_without_an_overlap_the_one_before_ends_at_once(depot: Client) -> None:
    first = made(depot, purpose="reply")
    made(depot, purpose="reply", overlap_hours=0)
    made(depot, purpose="reply", overlap_hours=0)
    states = {entry["id"]: entry["state"] for entry in told(depot)}
    assert states[first["id"]] == "ended"
    assert [*states.values()].count("live") == 1


def test_a_secret_that_is_ended_makes_room(depot: Client) -> None:
    first = made(depot, purpose="reply")
    made(depot, purpose="reply")
    assert depot.delete(f"{SECRETS}/{first['id']}").status_code == 204
    assert depot.delete(f"{SECRETS}/{first['id']}").status_code == 204
    made(depot, purpose="reply")
    assert depot.delete(f"{SECRETS}/{'0' * 8}-0000-7000-8000-{'0' * 12}").status_code == 404


def test_a_secret_of_one_supplier_is_not_ended_at_another(depot: Client) -> None:
    body = msgspec.json.decode(examples.read("supplier"))
    depot.put("/v1/suppliers/west quay", json=body, headers={"If-None-Match": "*"})
    kept = made(depot, purpose="reply")
    assert depot.delete(f"/v1/suppliers/west quay/secrets/{kept['id']}").status_code == 404
    assert [entry["state"] for entry in told(depot)] == ["live"]


def test_asked_again_with_the_same_key_the_same_secret_is_shown(depot: Client) -> None:
    named = {"Idempotency-Key": '"once"'}
    first = depot.post(SECRETS, json={"purpose": "reply"}, headers=named)
    again = depot.post(SECRETS, json={"purpose": "reply"}, headers=named)
    assert again.json() == first.json()
    assert again.headers["idempotency-replayed"] == "true"
    assert len(told(depot)) == 1


def test_pages_give_every_secret_once(depot: Client) -> None:
    ids = [made(depot, purpose=purpose, text=OWN)["id"] for purpose in ("reply", "signing", "credential")]
    first = depot.get(SECRETS, params={"limit": 2})
    rest = depot.get(SECRETS, params={"limit": 2, "cursor": first.json()["next_cursor"]})
    assert [entry["id"] for page in (first, rest) for entry in page.json()["secrets"]] == ids[::-1]
    link = first.headers["link"]
    assert "/v1/suppliers/north%20depot/secrets?" in link
    following = depot.get(link.partition("<")[2].partition(">")[0])
    assert following.json() == rest.json()


def test_a_supplier_made_anew_has_none_of_the_secrets_before(depot: Client) -> None:
    made(depot, purpose="reply")
    depot.delete(DEPOT, headers={"If-Match": "*"})
    assert depot.get(SECRETS).status_code == 404
    depot.put(DEPOT, json=msgspec.json.decode(examples.read("supplier")), headers={"If-None-Match": "*"})
    assert told(depot) == []


def test_no_secret_lies_readable_in_the_database_or_the_audit_trail(
    depot: Client, database_url: str, backend: str
) -> None:
    texts = [made(depot, purpose="reply")["text"], made(depot, purpose="credential", text="an invented one")["text"]]
    trail = depot.get("/v1/audit").text
    assert "secret.kept" in trail
    assert not [text for text in texts if text in trail]
    if backend == "sqlite":
        file = Path(database_url.removeprefix("sqlite:///"))
        kept = b"".join(each.read_bytes() for each in file.parent.glob(f"{file.name}*"))
        assert b"north depot" in kept
        assert not [text for text in texts if text.encode() in kept]


def test_secrets_are_each_shops_own(depot: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    kept = made(depot, purpose="reply")
    for other in (shop_b, shop_a_test):
        assert depot.get(SECRETS, headers=other.headers).status_code == 404
        assert depot.post(SECRETS, json={"purpose": "reply"}, headers=other.headers).status_code == 404
        assert depot.delete(f"{SECRETS}/{kept['id']}", headers=other.headers).status_code == 404
    assert [entry["state"] for entry in told(depot)] == ["live"]
