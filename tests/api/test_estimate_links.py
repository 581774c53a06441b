"""A shop makes links to what it quoted, sees what came of each, and ends them; a link's token is shown once."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.main import create_app
from cotterline.store import link_text
from tests.api.agreed import agreed
from tests.api.conftest import settings
from tests.api.customers import Customer, a_link, an_offer, let_run_out
from tests.api.ordering import a_quote, act
from tests.api.test_quote_changes import WAYS, Quoted
from tests.shops import Shop

Client = TestClient[Edge]


def links(client: Client, quote_id: str) -> list[dict[str, Any]]:
    """Every link to a quote, as the shop sees them."""
    found: list[dict[str, Any]] = client.get(f"/v1/quotes/{quote_id}/estimate-links").json()["links"]
    return found


def states(client: Client, quote_id: str) -> list[str]:
    return [link["state"] for link in links(client, quote_id)]


def refused(client: Client, quote_id: str, **asked: object) -> tuple[int, str]:
    answer = client.post(f"/v1/quotes/{quote_id}/estimate-links", json=asked)
    return answer.status_code, answer.json()["type"].rpartition("/")[2]


@pytest.fixture
def offer(client: Client) -> str:
    """Make a quote that was issued."""
    return an_offer(client)


def test_a_link_holds_as_long_as_the_quote_and_speaks_the_shops_language(client: Client) -> None:
    quote = Quoted(client)
    headers = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    assert client.patch("/v1/settings", json={"locale": "de-AT"}, headers=headers).status_code == 200
    assert quote.act("issue", valid_days=9) == 200
    made = a_link(client, quote.body["id"])
    assert made["expires_at"] == quote.body["expires_at"]
    assert (made["language"], made["units"], made["state"], made["revision"]) == ("de-AT", "mm", "open", 1)
    other = a_link(client, quote.body["id"], language="en-GB", units="in", valid_days=2)
    assert (other["language"], other["units"]) == ("en-GB", "in")
    left = datetime.fromisoformat(other["expires_at"]) - datetime.now(UTC)
    assert timedelta(days=1, hours=23) < left <= timedelta(days=2)


def test_a_link_never_outlives_its_quote(client: Client) -> None:
    quote = Quoted(client)
    assert quote.act("issue", valid_days=3) == 200
    assert a_link(client, quote.body["id"], valid_days=300)["expires_at"] == quote.body["expires_at"]


def test_the_address_is_whole_where_the_operator_said_which_it_is(database_url: str, shop_a: Shop) -> None:
    own = settings(database_url, public_base_url="https://bench.example/cotterline")
    with TestClient(create_app(own)) as client:
        client.headers.update(shop_a.headers)
        quote_id = a_quote(client)
        act(client, quote_id, "issue")
        headers = {"Idempotency-Key": f'"{uuid4()}"'}
        made = client.post(f"/v1/quotes/{quote_id}/estimate-links", json={}, headers=headers).json()
    base, token = made["url"].rsplit("/", 1)
    assert base == "https://bench.example/cotterline/estimate"
    assert link_text.is_token(token)


@pytest.mark.parametrize("state", [state for state in WAYS if state != "issued"])
def test_only_what_was_issued_has_links(client: Client, state: Any) -> None:  # noqa: ANN401 - a key of the table
    quote = Quoted(client)
    for step in WAYS[state]:
        assert quote.act(step) == 200
    answer = client.post(f"{quote.path}/estimate-links", json={})
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/wrong-state")
    assert state in answer.json()["detail"]
    assert links(client, quote.body["id"]) == []


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"language": "d"}, "/language"),
        ({"units": "furlong"}, "/units"),
        ({"valid_days": 0}, "/valid_days"),
        ({"valid_days": 366}, "/valid_days"),
        ({"colour": "green"}, "/colour"),
    ],
)
def test_a_link_nobody_can_make_is_refused_with_its_place(
    client: Client, offer: str, asked: dict[str, object], pointer: str
) -> None:
    answer = client.post(f"/v1/quotes/{offer}/estimate-links", json=asked)
    assert (answer.status_code, [error["pointer"] for error in answer.json()["errors"]]) == (422, [pointer])


def test_the_token_is_shown_once_and_to_the_same_key_again(client: Client, offer: str) -> None:
    named = {"Idempotency-Key": '"once"'}
    path = f"/v1/quotes/{offer}/estimate-links"
    first, again = (client.post(path, json={}, headers=named) for _ in range(2))
    assert again.json() == first.json()
    assert again.headers["idempotency-replayed"] == "true"
    assert len(links(client, offer)) == 1
    told = client.get(path).text + client.get("/v1/audit").text + client.get(f"/v1/quotes/{offer}").text
    assert first.json()["url"].rsplit("/", 1)[1] not in told
    assert "url" not in links(client, offer)[0]


def test_a_link_says_what_became_of_it(client: Client, offer: str, database_url: str, shop_a: Shop) -> None:
    late = a_link(client, offer)
    let_run_out(database_url, shop_a.tenant, late["id"])
    ended, said, overtaken = (a_link(client, offer) for _ in range(3))
    assert client.delete(f"/v1/quotes/{offer}/estimate-links/{ended['id']}").status_code == 204
    assert states(client, offer) == ["open", "open", "ended", "expired"]
    assert Customer(client, said["url"]).send(do="decline") == 303
    assert states(client, offer) == ["overtaken", "answered", "ended", "expired"]
    told = links(client, offer)[1]
    assert told["answer"] == "declined"
    assert told["created_at"] < told["last_seen_at"] <= told["answered_at"]
    assert "last_seen_at" not in links(client, offer)[0]
    assert overtaken["id"] == links(client, offer)[0]["id"]


@pytest.mark.parametrize("done", ["expire", "decline", "approve", "close", "revise"])
def test_what_the_shop_does_to_the_quote_overtakes_its_links(client: Client, offer: str, done: str) -> None:
    a_link(client, offer)
    assert act(client, offer, done, **agreed(done)).status_code == 200
    assert states(client, offer) == ["expired" if done == "expire" else "overtaken"]


def test_ended_links_leave_room_for_others(client: Client, offer: str) -> None:
    made = [a_link(client, offer) for _ in range(10)]
    assert refused(client, offer) == (409, "too-many-links")
    for _ in range(2):
        assert client.delete(f"/v1/quotes/{offer}/estimate-links/{made[0]['id']}").status_code == 204
    a_link(client, offer)
    assert refused(client, offer) == (409, "too-many-links")


def test_ending_and_making_are_in_the_audit_trail(client: Client, offer: str) -> None:
    made = a_link(client, offer)
    client.delete(f"/v1/quotes/{offer}/estimate-links/{made['id']}")
    entries = client.get("/v1/audit", params={"subject_id": made["id"]}).json()["entries"]
    assert [entry["action"] for entry in entries] == ["estimate_link.ended", "estimate_link.made"]
    assert {entry["actor"] for entry in entries} == {made["by"]}


def test_a_link_belongs_to_its_own_quote(client: Client, offer: str) -> None:
    made = a_link(client, offer)
    other = an_offer(client)
    assert client.delete(f"/v1/quotes/{other}/estimate-links/{made['id']}").status_code == 404
    assert states(client, offer) == ["open"]


def test_another_shop_sees_no_link_and_can_make_none(client: Client, offer: str, shop_b: Shop) -> None:
    made = a_link(client, offer)
    client.headers.update(shop_b.headers)
    path = f"/v1/quotes/{offer}/estimate-links"
    assert client.get(path).status_code == 404
    assert client.post(path, json={}).status_code == 404
    assert client.delete(f"{path}/{made['id']}").status_code == 404


def test_the_token_is_nowhere_but_in_the_answer(
    client: Client, offer: str, database_url: str, logged: list[dict[str, Any]]
) -> None:
    made = a_link(client, offer)
    customer = Customer(client, made["url"])
    assert customer.send(do="approve", name="Ada Fell") == 303
    customer.look()
    token = made["url"].rsplit("/", 1)[1]
    lines = repr(logged)
    assert "/estimate/{token}" in lines
    assert re.search(link_text.PATTERN, lines) is None
    assert token[10:62] not in lines
    if database_url.startswith("sqlite:///"):
        file = Path(database_url.removeprefix("sqlite:///"))
        held = b"".join(part.read_bytes() for part in file.parent.glob(f"{file.name}*"))
        assert made["id"].replace("-", "").encode() in held or b"estimate_link.made" in held
        assert token[10:62].encode() not in held
