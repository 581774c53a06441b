"""Recorded times are kept once, listed page by page, and move what the shop is told of its own pace."""

import math
from uuid import uuid4

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.bench.labour.book import DEFAULT_BOOK
from tests.shops import Shop

Client = TestClient[Edge]
PATH = "/v1/labour-times"
MEAN = DEFAULT_BOOK.operations["fixed_cup"].minutes.mean


def learned(client: Client, operation: str = "fixed_cup", **headers: str) -> dict[str, float]:
    """What is told of one operation."""
    rows = client.get("/v1/labour-book/learning", headers=headers).json()["learned"]
    (row,) = [row for row in rows if row["operation"] == operation]
    found: dict[str, float] = row
    return found


def test_a_time_is_recorded_once_under_its_key(client: Client) -> None:
    body = {"operation": "fixed_cup", "minutes": 14.5}
    first = client.post(PATH, json=body, headers={"Idempotency-Key": '"a"'})
    again = client.post(PATH, json=body, headers={"Idempotency-Key": '"a"'})
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["idempotency-replayed"] == "true"
    assert client.get(PATH).json() == {"times": [first.json()]}
    (entry,) = client.get("/v1/audit", params={"subject_id": first.json()["id"]}).json()["entries"]
    assert (entry["action"], entry["detail"]["minutes"]) == ("labour_time.recorded", 14.5)


def test_a_time_may_name_a_quote_of_the_shops(client: Client, shop_b: Shop) -> None:
    quote = client.post("/v1/quotes", json=msgspec.json.decode(examples.read("whole_job"))).json()["id"]
    body = {"operation": "fixed_cup", "minutes": 14.5, "quote_id": quote}
    assert client.post(PATH, json=body).json()["quote_id"] == quote
    refused = client.post(PATH, json=body, headers=shop_b.headers)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/quote_id")


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"operation": "polish"}, "/operation"),
        ({"operation": "Fixed cup"}, "/operation"),
        ({"minutes": 0}, "/minutes"),
        ({"minutes": 2001}, "/minutes"),
        ({"quote_id": str(uuid4())}, "/quote_id"),
    ],
)
def test_a_time_that_cannot_be_is_refused(client: Client, change: dict[str, object], pointer: str) -> None:
    refused = client.post(PATH, json={"operation": "fixed_cup", "minutes": 5} | change)
    assert (refused.status_code, [error["pointer"] for error in refused.json()["errors"]]) == (422, [pointer])
    assert client.get(PATH).json() == {"times": []}


def test_the_list_goes_page_by_page_newest_first(client: Client) -> None:
    for minutes in range(1, 6):
        client.post(PATH, json={"operation": "fixed_cup", "minutes": minutes})
    shown, cursor = [], None
    while True:
        query = {"limit": 2} | ({"cursor": cursor} if cursor else {})
        answer = client.get(PATH, params=query)
        shown += [time["minutes"] for time in answer.json()["times"]]
        cursor = answer.json().get("next_cursor")
        assert ("link" in answer.headers) == bool(cursor)
        if not cursor:
            break
    assert shown == [5, 4, 3, 2, 1]
    assert client.get(PATH, params={"cursor": "x" * 36}).status_code == 422


def test_what_was_recorded_is_what_is_learned_from(client: Client, shop_b: Shop) -> None:
    assert (learned(client)["count"], learned(client)["factor"]) == (0, 1)
    for _ in range(3):
        client.post(PATH, json={"operation": "fixed_cup", "minutes": 2 * MEAN})
    found = learned(client)
    # A normal mean with known variance (Bayesian Data Analysis, third edition, 2013, section 2.5), written out.
    weight = found["prior_sd"] ** 2 / (found["prior_sd"] ** 2 + found["job_sd"] ** 2 / 3)
    assert found["count"] == 3
    assert found["factor"] == pytest.approx(math.exp(weight * math.log(2)), rel=1e-4)
    assert learned(client, "face_shell")["count"] == 0
    assert learned(client, **shop_b.headers)["count"] == 0


def test_an_estimate_goes_by_the_shops_own_pace(client: Client) -> None:
    job = msgspec.json.decode(examples.read("whole_job"))
    before = client.post("/v1/estimates", json=job).json()["plan"]["minutes"]["expected"]
    for _ in range(5):
        client.post(PATH, json={"operation": "fixed_cup", "minutes": 2 * MEAN})
    after = client.post("/v1/estimates", json=job).json()["plan"]["minutes"]["expected"]
    assert after > before
