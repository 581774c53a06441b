"""The audit trail over HTTP: who did what with which key, for the shop to read and for nobody to change."""

import msgspec
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.store import key_text
from tests.shops import Shop

Client = TestClient[Edge]
JOB = msgspec.json.decode(examples.read("whole_job"))


def id_of(key: str) -> str:
    told = key_text.read(key)
    assert told is not None
    return str(told.id)


def test_every_change_says_who_did_it_with_which_key(client: Client, shop_a: Shop) -> None:
    quote = client.post("/v1/quotes", json=JOB).json()
    key = client.post("/v1/keys", json={"label": "a", "scopes": ["administer", "read"]}).json()
    client.post(f"/v1/keys/{key['id']}/revocation", headers={"Authorization": f"Bearer {key['key']}"})
    entries = client.get("/v1/audit").json()["entries"]
    assert [(entry["actor"], entry["action"], entry["subject_kind"], entry["subject_id"]) for entry in entries] == [
        (key["id"], "key.revoked", "key", key["id"]),
        (id_of(shop_a.key), "key.issued", "key", key["id"]),
        (id_of(shop_a.key), "quote.created", "quote", quote["id"]),
        ("operator", "key.issued", "key", id_of(shop_a.key)),
    ]
    assert entries[1]["detail"] == {"label": "a", "scopes": ["read", "administer"], "expires_at": None}
    assert entries[2]["at"] == quote["created_at"]


def test_what_was_refused_leaves_no_entry(client: Client) -> None:
    before = client.get("/v1/audit").json()
    assert client.post("/v1/quotes", json={"evidence": 1}).status_code == 422
    assert client.post("/v1/quotes", json=JOB, headers={"Authorization": "Bearer x"}).status_code == 401
    assert client.get("/v1/audit").json() == before


def test_the_trail_of_one_thing_is_paged(client: Client) -> None:
    keys = [client.post("/v1/keys", json={"label": "a", "scopes": ["read"]}).json()["id"] for _ in range(2)]
    for key in keys:
        client.post(f"/v1/keys/{key}/revocation")
    found, address = [], f"/v1/audit?limit=1&subject_id={keys[0]}"
    while address:
        response = client.get(address)
        found += [(entry["action"], entry["subject_id"]) for entry in response.json()["entries"]]
        address = response.links.get("next", {}).get("url", "")
    assert found == [("key.revoked", keys[0]), ("key.issued", keys[0])]


def test_no_method_changes_or_deletes_an_entry(client: Client) -> None:
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        assert client.request(method, "/v1/audit").status_code == 405
