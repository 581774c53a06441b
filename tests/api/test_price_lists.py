"""Catalogue and price lists are taken whole or not at all, as JSON and as tables, and a quote is priced from them."""

from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from tests.shops import Shop

Client = TestClient[Edge]
PARTS: dict[str, Any] = msgspec.json.decode(examples.read("parts"))
PRICES: dict[str, Any] = msgspec.json.decode(examples.read("price_list"))
DEPOT = "/v1/price-lists/north depot"
TABLE = {"Accept": "text/csv"}
MAKE, ANY = {"If-None-Match": "*"}, {"If-Match": "*"}


def put(client: Client, path: str, body: object, condition: dict[str, str]) -> httpx.Response:
    """Send a list as JSON, or as a table where it is text."""
    if isinstance(body, str):
        return client.put(path, content=body.encode(), headers=condition | {"Content-Type": "text/csv"})
    return client.put(path, json=body, headers=condition)


def faults(answer: httpx.Response) -> tuple[str, list[tuple[Any, Any]]]:
    """The type of a refusal, with pointer, or row and column, of each fault."""
    places = [(error.get("row", error.get("pointer")), error.get("column")) for error in answer.json()["errors"]]
    return answer.json()["type"].rpartition("/")[2], places


def test_a_catalogue_is_read_as_it_was_sent_in_either_form(client: Client) -> None:
    assert client.get("/v1/parts").json() == {"parts": []}
    sent = put(client, "/v1/parts", PARTS, ANY)
    kept = client.get("/v1/parts")
    assert sent.json() == kept.json()
    assert [part["sku"] for part in kept.json()["parts"]] == ["U-68-113", "B-M8", "C-8"]
    table = client.get("/v1/parts", headers=TABLE)
    assert table.headers["etag"] != kept.headers["etag"]
    assert put(client, "/v1/parts", {"parts": []}, ANY).json() == {"parts": []}
    assert put(client, "/v1/parts", table.text, {"If-Match": table.headers["etag"]}).status_code == 412
    assert put(client, "/v1/parts", table.text, ANY).status_code == 200
    assert client.get("/v1/parts").json() == kept.json()


def test_a_change_names_the_version_it_replaces(client: Client) -> None:
    first = client.get("/v1/parts").headers["etag"]
    assert put(client, "/v1/parts", PARTS, {}).status_code == 428
    assert put(client, "/v1/parts", PARTS, {"If-Match": '"other"'}).status_code == 412
    assert put(client, "/v1/parts", PARTS, {"If-Match": first}).status_code == 200
    assert put(client, "/v1/parts", PARTS, {"If-Match": first}).status_code == 412
    again = client.get("/v1/parts").headers["etag"]
    assert client.get("/v1/parts", headers={"If-None-Match": again}).status_code == 304


def test_a_price_list_is_made_replaced_and_deleted(client: Client) -> None:
    assert client.get(DEPOT).status_code == 404
    assert put(client, DEPOT, PRICES, {}).status_code == 428
    assert put(client, DEPOT, PRICES, ANY).status_code == 404
    made = put(client, DEPOT, PRICES, MAKE)
    assert made.status_code == 200
    assert put(client, DEPOT, PRICES, MAKE).status_code == 412
    kept = client.get(DEPOT)
    assert kept.json() == made.json()
    assert kept.headers["etag"] == made.headers["etag"]
    (entry,) = client.get("/v1/price-lists").json()["price_lists"]
    assert (entry["supplier"], entry["currency"], entry["offers"]) == ("north depot", "EUR", 3)
    table = client.get(DEPOT, headers=TABLE)
    assert "1=1.20 10=0.85" in table.text
    changed = put(client, DEPOT, table.text, {"If-Match": table.headers["etag"]})
    assert changed.json() == kept.json()
    assert client.delete(DEPOT, headers={"If-Match": kept.headers["etag"]}).status_code == 412
    assert client.delete(DEPOT, headers={"If-Match": changed.headers["etag"]}).status_code == 204
    assert client.get(DEPOT).status_code == 404
    assert client.get("/v1/price-lists").json() == {"price_lists": []}
    assert put(client, DEPOT, PRICES, MAKE).headers["etag"] not in {made.headers["etag"], changed.headers["etag"]}


HEAD = "supplier,currency,sku,price,breaks,stock,lead_days,gtin\nnorth depot,EUR,A,1.00,,,,\n"


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("north depot,EUR,B,-1.00,,,,", "price"),
        ("north depot,EUR,B,1.005,,,,", "price"),
        ('north depot,EUR,B,"1,00",,,,', "price"),
        ("north depot,EUR,B,,,,,", "price"),
        ("north depot,EUR,B,1,1=1.00,,,", "price"),
        ("north depot,EUR,B,,5=1.00 5=0.90,,,", "breaks"),
        ("north depot,EUR,A,1.00,,,,", "sku"),
        ("north depot,EUR,B,1.00,,-1,,", "stock"),
        ("north depot,EUR,B,1.00,,,soon,", "lead_days"),
        ("north depot,EUR,B,1.00,,,,2000000000014", "gtin"),
        ("north depot,GBP,B,1.00,,,,", "currency"),
        ("south depot,EUR,B,1.00,,,,", "supplier"),
    ],
)
def test_one_bad_row_refuses_the_whole_table(client: Client, row: str, column: str) -> None:
    before = put(client, DEPOT, PRICES, MAKE).json()
    refused = put(client, DEPOT, HEAD + row + "\n", ANY)
    assert refused.status_code == 422
    assert faults(refused) == ("invalid-table", [(3, column)])
    assert client.get(DEPOT).json() == before


@pytest.mark.parametrize(
    ("change", "code", "pointer"),
    [
        ({"currency": "XYZ"}, "impossible-value", "/currency"),
        ({"supplier": "south depot"}, "impossible-value", "/supplier"),
        ({"offers": [{"sku": "A", "price": "-1"}]}, "impossible-value", "/offers/0/price"),
        ({"offers": [{"sku": "A", "price": 1}]}, "invalid-body", "/offers/0/price"),
    ],
)
def test_a_price_list_that_makes_no_sense_is_refused_at_its_place(
    client: Client, change: dict[str, Any], code: str, pointer: str
) -> None:
    refused = put(client, DEPOT, PRICES | change, MAKE)
    assert faults(refused) == (code, [(pointer, None)])
    assert client.get(DEPOT).status_code == 404


def test_a_part_with_a_wrong_number_or_one_twice_refuses_the_catalogue(client: Client) -> None:
    twice = {"parts": [*PARTS["parts"], PARTS["parts"][0]]}
    assert faults(put(client, "/v1/parts", twice, ANY)) == ("impossible-value", [("/parts/3/sku", None)])
    wrong = "sku,name,role,gtin\nA,Unit,unit,2000000000014\n"
    assert faults(put(client, "/v1/parts", wrong, ANY)) == ("invalid-table", [(2, "gtin")])
    assert client.get("/v1/parts").json() == {"parts": []}


def test_lists_are_each_shops_own(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    put(client, "/v1/parts", PARTS, ANY)
    put(client, DEPOT, PRICES, MAKE)
    for other in (shop_b, shop_a_test):
        assert client.get("/v1/parts", headers=other.headers).json() == {"parts": []}
        assert client.get(DEPOT, headers=other.headers).status_code == 404
        own = PRICES | {"offers": []}
        assert put(client, DEPOT, own, MAKE | other.headers).status_code == 200
        assert client.delete(DEPOT, headers=ANY | other.headers).status_code == 204
    assert len(client.get(DEPOT).json()["offers"]) == 3


def test_twenty_thousand_rows_are_taken_and_one_more_is_not(client: Client) -> None:
    rows = [f"north depot,EUR,S-{number},{number % 900 + 1}.00,,,,\n" for number in range(20_001)]
    head = HEAD.splitlines(keepends=True)[0]
    made = put(client, DEPOT, head + "".join(rows[:-1]), MAKE)
    assert made.status_code == 200
    kept = client.get(DEPOT).json()["offers"]
    assert (len(kept), kept[-1]["sku"]) == (20_000, "S-19999")
    assert put(client, DEPOT, head + "".join(rows), ANY).json()["errors"][0]["pointer"] == "/offers"
    assert put(client, DEPOT, {"supplier": "x" * 17 * 1024 * 1024}, ANY).status_code == 413


@pytest.mark.parametrize(("limit", "most"), [("MOST_LISTS", 1), ("MOST_OFFERS", 5)])
def test_all_lists_together_are_no_more_than_a_shop_may_have(
    client: Client, monkeypatch: pytest.MonkeyPatch, limit: str, most: int
) -> None:
    monkeypatch.setattr("cotterline.store.price_lists." + limit, most)
    other = PRICES | {"supplier": "west quay"}
    assert put(client, DEPOT, PRICES, MAKE).status_code == 200
    refused = put(client, "/v1/price-lists/west quay", other, MAKE)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/quota-reached")
    assert client.get("/v1/price-lists/west quay").status_code == 404
    assert put(client, DEPOT, PRICES, ANY).status_code == 200, "what is replaced does not count"


def test_a_quote_is_priced_from_the_catalogue_and_the_lists(client: Client) -> None:
    job = msgspec.json.decode(examples.read("whole_job"))
    before = client.post("/v1/quotes", json=job).json()["result"]["estimate"]
    put(client, "/v1/parts", PARTS, ANY)
    put(client, DEPOT, PRICES, MAKE)
    after = client.post("/v1/quotes", json=job).json()["result"]["estimate"]
    assert before["missing_prices"]
    assert len(after["missing_prices"]) < len(before["missing_prices"])


def test_every_change_is_in_the_audit_trail(client: Client) -> None:
    put(client, DEPOT, PRICES, MAKE)
    put(client, DEPOT, PRICES, ANY)
    client.delete(DEPOT, headers=ANY)
    found = client.get("/v1/audit", params={"subject_id": "north depot"}).json()["entries"]
    assert [entry["action"] for entry in found[::-1]] == [
        "price_list.created",
        "price_list.replaced",
        "price_list.deleted",
    ]
