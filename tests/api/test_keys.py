"""Keys over HTTP: issued once, listed without their secret, revoked, and no way to more than one has."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx
import pytest
from litestar.testing import TestClient
from sqlalchemy import select

from cotterline.api.edge import Edge
from cotterline.store import key_text
from cotterline.store.database import Database
from cotterline.store.tables import kept_answers
from cotterline.store.tenancy import SCOPES
from tests.shops import Shop

Client = TestClient[Edge]
ORDER: dict[str, Any] = {"label": "booking", "scopes": ["quote", "read"]}


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def test_a_key_is_issued_with_an_address_and_opens_the_door(client: Client) -> None:
    response = client.post("/v1/keys", json=ORDER)
    made = response.json()
    assert response.status_code == 201
    assert response.headers["location"] == f"/v1/keys/{made['id']}"
    assert response.headers["cache-control"] == "no-store"
    assert (made["label"], made["scopes"], made["mode"]) == ("booking", ["read", "quote"], "live")
    assert client.get("/v1/shop", headers=bearer(made["key"])).json()["scopes"] == ["read", "quote"]


def test_the_secret_is_shown_this_once(client: Client) -> None:
    made = client.post("/v1/keys", json=ORDER).json()
    secret = made["key"][43:75]
    told = client.get(f"/v1/keys/{made['id']}")
    shown = [told, client.get("/v1/keys"), client.get("/v1/audit"), client.post(f"/v1/keys/{made['id']}/revocation")]
    assert {response.status_code for response in shown} == {200}
    assert [response.text for response in shown if secret in response.text] == []
    assert told.json() == {name: part for name, part in made.items() if name != "key"}


def test_a_lifetime_ends_that_many_days_from_now(client: Client) -> None:
    made = client.post("/v1/keys", json=ORDER | {"lifetime_days": 30}).json()
    ends, begins = (datetime.fromisoformat(made[name]) for name in ("expires_at", "created_at"))
    assert ends - begins == timedelta(days=30)
    assert "expires_at" not in client.post("/v1/keys", json=ORDER).json()


def test_a_key_in_test_mode_issues_keys_in_test_mode(client: Client, shop_a_test: Shop) -> None:
    made = client.post("/v1/keys", json=ORDER, headers=shop_a_test.headers).json()
    assert made["mode"] == "test"
    assert made["key"].startswith("cotl_test_")
    assert client.get("/v1/shop", headers=bearer(made["key"])).json()["mode"] == "test"


def test_no_key_hands_out_a_scope_it_does_not_hold(client: Client) -> None:
    clerk = client.post("/v1/keys", json={"label": "clerk", "scopes": ["administer", "read"]}).json()["key"]
    refused = client.post("/v1/keys", json={"label": "x", "scopes": ["read", "order", "quote"]}, headers=bearer(clerk))
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/forbidden-scope")
    assert refused.headers["www-authenticate"] == 'Bearer error="insufficient_scope", scope="quote order"'
    assert client.post("/v1/keys", json={"label": "x", "scopes": ["read"]}, headers=bearer(clerk)).status_code == 201


def test_a_key_is_replaced_without_a_gap(client: Client) -> None:
    old, new = (client.post("/v1/keys", json=ORDER).json() for _ in range(2))
    assert client.post("/v1/keys", json=ORDER).json()["type"] == "/problems/too-many-keys"
    for key in (old, new):
        assert client.get("/v1/quotes", headers=bearer(key["key"])).status_code == 200
    revoked = client.post(f"/v1/keys/{old['id']}/revocation").json()
    assert "revoked_at" in revoked
    assert client.get("/v1/quotes", headers=bearer(old["key"])).status_code == 401
    assert client.get("/v1/quotes", headers=bearer(new["key"])).status_code == 200
    assert client.post("/v1/keys", json=ORDER).status_code == 201


def test_revoking_again_changes_nothing(client: Client) -> None:
    address = f"/v1/keys/{client.post('/v1/keys', json=ORDER).json()['id']}"
    first = client.post(f"{address}/revocation").json()
    assert client.post(f"{address}/revocation").json() == first == client.get(address).json()
    actions = [entry["action"] for entry in client.get("/v1/audit").json()["entries"]]
    assert actions.count("key.revoked") == 1


def test_a_key_nobody_issued_is_not_there(client: Client) -> None:
    for call in (client.get(f"/v1/keys/{uuid4()}"), client.post(f"/v1/keys/{uuid4()}/revocation")):
        assert (call.status_code, call.json()["type"]) == (404, "/problems/not-found")


def test_the_list_gives_every_key_once_newest_first_page_by_page(client: Client, shop_a: Shop) -> None:
    made = [client.post("/v1/keys", json=ORDER | {"label": str(number)}).json()["id"] for number in range(4)]
    told = key_text.read(shop_a.key)
    assert told is not None
    found, address = [], "/v1/keys?limit=2"
    while address:
        response = client.get(address)
        found += [key["id"] for key in response.json()["keys"]]
        address = response.links.get("next", {}).get("url", "")
    assert found == [*reversed(made), str(told.id)]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"label": ""}, "/label"),
        ({"label": "x" * 101}, "/label"),
        ({"scopes": []}, "/scopes"),
        ({"scopes": ["everything"]}, "/scopes/0"),
        ({"lifetime_days": 0}, "/lifetime_days"),
        ({"lifetime_days": 3651}, "/lifetime_days"),
        ({"mode": "test"}, "/mode"),
        ({"label": "a\0b"}, "/label"),
    ],
)
def test_an_order_that_does_not_fit_is_refused_with_its_place(
    client: Client, change: dict[str, Any], pointer: str
) -> None:
    response = client.post("/v1/keys", json=ORDER | change)
    assert response.status_code == 422
    assert [error["pointer"] for error in response.json()["errors"]] == [pointer]


def test_a_cursor_of_one_list_serves_no_other(client: Client) -> None:
    for number in range(2):
        client.post("/v1/keys", json=ORDER | {"label": str(number)})
    cursor = client.get("/v1/keys?limit=1").json()["next_cursor"]
    for path in ("/v1/quotes", "/v1/audit"):
        assert client.get(path, params={"cursor": cursor}).json()["type"] == "/problems/bad-cursor"


async def test_asked_again_a_key_is_issued_once_and_shown_to_the_same_key_alone(
    anyone: Client, database: Database, shop_a: Shop
) -> None:
    def ask(headers: dict[str, str]) -> httpx.Response:
        return anyone.post("/v1/keys", json=ORDER, headers=headers | {"Idempotency-Key": '"till 4"'})

    first, again = ask(shop_a.headers), ask(shop_a.headers)
    assert (again.status_code, again.content) == (201, first.content)
    assert again.headers["idempotency-replayed"] == "true"
    async with database.read(shop_a.tenant) as tx:
        (kept,) = await tx.rows(select(kept_answers.c.body))
    assert b"cotl_" not in kept["body"]
    labels = [key["label"] for key in anyone.get("/v1/keys", headers=shop_a.headers).json()["keys"]]
    assert labels.count(ORDER["label"]) == 1
    clerk = anyone.post(
        "/v1/keys", json={"label": "clerk", "scopes": [*SCOPES]}, headers=shop_a.headers | {"Idempotency-Key": "x"}
    )
    other = ask(bearer(clerk.json()["key"]))
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency-key-reused")
    assert first.json()["key"] not in other.text
