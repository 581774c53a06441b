"""Quotes over HTTP: made, kept, read again, listed; the same on both databases."""

from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid4

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))


def test_a_quote_is_made_with_an_id_an_address_and_the_time(client: Client) -> None:
    before = datetime.now(UTC)
    response = client.post("/v1/quotes", json=JOB)
    made = response.json()
    assert response.status_code == 201
    assert UUID(made["id"]).version == 7
    assert response.headers["location"] == f"/v1/quotes/{made['id']}"
    assert before <= datetime.fromisoformat(made["created_at"]) <= datetime.now(UTC)
    assert made["reference"] == "hook 7"


def test_the_bike_with_113_mm_between_its_cotters_gets_a_113_spindle(client: Client) -> None:
    # A workshop's published job: cotter centres 113 mm, chain line 42 mm, accepted within 1-2 mm (common practice).
    result = client.post("/v1/quotes", json=JOB).json()["result"]
    assert result["verdict"]["state"] == "fit_to_order"
    assert result["verdict"]["leading"]["drive"] == "iso_english"
    assert result["verdict"]["shell_width"]["nominal"] == {"value": 68.0, "unit": "mm"}
    lengths = [
        result["spindle"][place]["spindle_length"]["value"] for place in ("first", "next_shorter", "next_longer")
    ]
    assert lengths == [113.0, 110.0, 115.0]
    assert result["ordering"] == {"allowed": True, "reasons": []}
    assert result["parts"]["lines"]


def test_a_quote_reads_again_exactly_as_it_was_answered(client: Client) -> None:
    for query in ("", "?derivation=true"):
        made = client.post(f"/v1/quotes{query}", json=JOB)
        assert client.get(made.headers["location"] + query).content == made.content


def test_a_quote_made_without_its_derivation_can_still_be_explained(client: Client) -> None:
    made = client.post("/v1/quotes", json=JOB)
    assert "derivation" not in made.json()["result"]
    explained = client.get(made.headers["location"] + "?derivation=true").json()
    steps = explained["result"].pop("derivation")
    assert len(steps) > 50
    assert all(step["formula"] and step["source"] for step in steps)
    assert explained == made.json()


def test_the_request_is_kept_with_every_default_filled_in(client: Client) -> None:
    kept = client.post("/v1/quotes", json=JOB).json()["request"]
    assert kept["spindle"]["unit"]["seat"] == "right"
    assert kept["evidence"][0] == JOB["evidence"][0]


def test_a_shop_may_have_the_answer_in_inches(client: Client) -> None:
    job = JOB | {"settings": {"units": "in"}}
    first = client.post("/v1/quotes", json=job).json()["result"]["spindle"]["first"]["spindle_length"]
    # 113 mm / 25.4, the international inch (1959).
    assert first == {"value": 4.44882, "unit": "in"}


def test_a_quote_nobody_made_is_not_found(client: Client) -> None:
    for name in (uuid4(), "not-an-id", "%00"):
        response = client.get(f"/v1/quotes/{name}")
        assert (response.status_code, response.json()["type"]) == (404, "/problems/not-found")


def _make(client: Client, count: int) -> list[str]:
    """Make quotes, and return their ids, newest first."""
    made = [client.post("/v1/quotes", json=JOB | {"reference": f"hook {number}"}) for number in range(count)]
    return [response.json()["id"] for response in reversed(made)]


def test_the_list_gives_every_quote_once_newest_first_page_by_page(client: Client) -> None:
    ids = _make(client, 7)
    found: list[str] = []
    address = "/v1/quotes?limit=3"
    sizes = []
    while address:
        response = client.get(address)
        page = response.json()
        sizes.append(len(page["quotes"]))
        found += [entry["id"] for entry in page["quotes"]]
        link = response.links.get("next", {}).get("url", "")
        assert bool(link) == ("next_cursor" in page)
        assert page.get("next_cursor", "") in link
        address = link
    assert found == ids
    assert sizes == [3, 3, 1]


def test_a_quote_made_meanwhile_does_not_move_the_next_page(client: Client) -> None:
    ids = _make(client, 4)
    first = client.get("/v1/quotes", params={"limit": 2}).json()
    _make(client, 1)
    second = client.get("/v1/quotes", params={"limit": 2, "cursor": first["next_cursor"]}).json()
    assert [entry["id"] for entry in first["quotes"] + second["quotes"]] == ids


def test_an_entry_of_the_list_tells_the_verdict(client: Client) -> None:
    made = client.post("/v1/quotes", json={"evidence": JOB["evidence"]}).json()
    (entry,) = client.get("/v1/quotes").json()["quotes"]
    assert entry == {
        "id": made["id"],
        "created_at": made["created_at"],
        "core_version": made["core_version"],
        "state": "draft",
        "revision": 1,
        "metadata": {},
        "verdict_state": "fit_to_order",
        "leading_family": "iso_english",
    }


def test_an_empty_list_is_a_list(client: Client) -> None:
    response = client.get("/v1/quotes")
    assert response.json() == {"quotes": []}
    assert "link" not in response.headers


@pytest.mark.parametrize("cursor", ["x", "A" * 36, "", "a" * 300])
def test_a_cursor_from_elsewhere_is_refused(client: Client, cursor: str) -> None:
    response = client.get("/v1/quotes", params={"cursor": cursor})
    assert response.status_code == 422
    assert response.json()["type"] in {"/problems/bad-cursor", "/problems/invalid-parameter"}


@pytest.mark.parametrize("limit", ["0", "201", "-1", "x"])
def test_a_limit_out_of_range_is_refused(client: Client, limit: str) -> None:
    response = client.get("/v1/quotes", params={"limit": limit})
    assert response.json()["errors"][0]["parameter"] == "limit"
