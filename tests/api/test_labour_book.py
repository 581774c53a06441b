"""The labour book is read, replaced and changed row by row, as JSON and as a table; what is wrong is refused whole."""

import csv
import io
from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.api.labour_book import shown
from cotterline.bench.labour.book import DEFAULT_BOOK
from tests.shops import Shop

Client = TestClient[Edge]
PATH = "/v1/labour-book"
SHIPPED: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(shown(DEFAULT_BOOK)))
SMALL: dict[str, Any] = msgspec.json.decode(examples.read("labour_book"))
TABLE = {"Accept": "text/csv"}


def put(client: Client, content: object, kind: str = "application/json", tag: str = "*") -> httpx.Response:
    """Replace the book."""
    raw = content if isinstance(content, bytes) else msgspec.json.encode(content)
    return client.put(PATH, content=raw, headers={"If-Match": tag, "Content-Type": kind})


def patch(client: Client, **members: object) -> httpx.Response:
    """Change rows."""
    headers = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    return client.patch(PATH, content=msgspec.json.encode(members), headers=headers)


def test_a_shop_that_set_nothing_reads_the_shipped_book_and_that_it_is_invented(client: Client) -> None:
    answer = client.get(PATH)
    assert answer.json() == SHIPPED
    assert answer.headers["content-location"] == f"{PATH}/versions/0"
    rows = [f"/{table}/{name}" for table in ("operations", "contingencies") for name in SHIPPED[table]]
    assert answer.json()["invented"] == rows
    assert len(rows) > 20


def test_a_row_that_was_replaced_is_no_longer_called_invented(client: Client) -> None:
    found = patch(client, operations={"chase_threads": {"minutes": {"likely": 15}}}).json()
    assert "/operations/chase_threads" not in found["invented"]
    assert len(found["invented"]) == len(SHIPPED["invented"]) - 1
    own = put(client, SMALL).json()
    assert own["invented"] == []
    assert own["operations"]["draw_cotters"]["after"] == ["measure"]


def test_what_was_read_can_be_put_back_and_changes_nothing(client: Client) -> None:
    answer = client.get(PATH)
    again = put(client, answer.json(), tag=answer.headers["etag"])
    assert again.headers["etag"] == answer.headers["etag"]
    table = client.get(PATH, headers=TABLE)
    back = put(client, table.content, "text/csv", table.headers["etag"])
    assert back.headers["etag"] == answer.headers["etag"]


def test_another_order_of_the_bench_is_another_book(client: Client) -> None:
    first = put(client, SMALL)
    turned = SMALL | {"operations": dict(reversed(SMALL["operations"].items()))}
    second = put(client, turned)
    assert first.headers["etag"] != second.headers["etag"]
    assert [*client.get(PATH).json()["operations"]] == ["draw_cotters", "measure"]


def test_null_takes_a_row_out_and_a_new_name_puts_one_in(client: Client) -> None:
    new = {"name": "Wash", "minutes": {"low": 3, "likely": 4, "high": 6}}
    found = patch(client, contingencies={"cotter_drilled": None}, operations={"wash": new}).json()
    assert "cotter_drilled" not in found["contingencies"]
    assert found["operations"]["wash"]["labour_class"] == "bench"
    assert client.get(PATH).json() == found
    assert client.get(f"{PATH}/versions/0").json() == SHIPPED
    assert client.get(f"{PATH}/versions/1").json() == found
    assert client.get(f"{PATH}/versions/2").status_code == 404


def test_a_table_holds_the_same_book_with_a_name_for_its_version(client: Client) -> None:
    put(client, SMALL)
    table = client.get(PATH, headers=TABLE)
    assert table.headers["content-type"] == "text/csv; header=present; charset=utf-8"
    assert table.headers["etag"] != client.get(PATH).headers["etag"]
    assert table.headers["vary"] == client.get(PATH).headers["vary"] == "Accept"
    rows = [*csv.DictReader(io.StringIO(table.text, newline=""))]
    assert [(row["table"], row["id"], row["grade"]) for row in rows] == [
        ("operation", "measure", "own"),
        ("operation", "draw_cotters", "own"),
        ("contingency", "cotter_stuck", "own"),
    ]
    assert (rows[1]["minutes_likely"], rows[1]["after"], rows[2]["odds"]) == ("5", "measure", "rust_heavy=3")
    assert put(client, table.content, table.headers["content-type"], table.headers["etag"]).status_code == 200
    again = client.get(PATH, headers=TABLE | {"If-None-Match": table.headers["etag"]})
    assert again.status_code == 304
    assert client.get(PATH, headers={"If-None-Match": table.headers["etag"]}).status_code == 200


def test_a_table_replaces_the_book(client: Client) -> None:
    text = "table;id;name;minutes_low;minutes_likely;minutes_high;times\noperation;wash;Wash;3;4;6;2\n"
    answer = put(client, text.encode(), "text/csv; charset=UTF-8")
    assert answer.status_code == 200
    assert [*answer.json()["operations"]] == ["wash"]
    assert answer.json()["operations"]["wash"]["times"] == 2
    assert answer.json()["contingencies"] == {}


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        ("operation,drain,Drain,3,oil,6,,,", (3, "minutes_likely")),
        ("operation,drain,Drain,3,9,6,,,", (3, "minutes_low")),
        ("operation,drain,Drain,3,4,6,,scrub,", (3, "after")),
        ("operation,drain,Drain,3,4,6,,drain,", (3, "after")),
        ("operation,drain,Drain,3,4,6,9,,", (3, "times")),
        ("operation,drain,Drain,3,4,6,,,0.5", (3, "chance")),
        ("operation,Drain it,Drain,3,4,6,,,", (3, "id")),
        ("operation,wash,Drain,3,4,6,,,", (3, None)),
        ("operation,,Drain,3,4,6,,,", (3, "id")),
        ("job,drain,Drain,3,4,6,,,", (3, "table")),
        ("contingency,spill,Spill,,,,,,0.5", (3, "operation")),
    ],
)
def test_a_table_with_one_bad_row_is_refused_whole_naming_row_and_column(
    client: Client, row: str, fault: tuple[int, str | None]
) -> None:
    head = "table,id,name,minutes_low,minutes_likely,minutes_high,times,after,chance"
    text = f"{head}\noperation,wash,Wash,3,4,6,,,\n{row}\n"
    answer = put(client, text.encode(), "text/csv")
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/invalid-table")
    assert fault in [(error.get("row"), error.get("column")) for error in answer.json()["errors"]]
    assert {error.get("row") for error in answer.json()["errors"]} == {3}
    assert client.get(PATH).json() == SHIPPED


def test_a_circle_of_operations_is_refused_with_its_members(client: Client) -> None:
    circle = {"measure": SMALL["operations"]["measure"] | {"after": ["draw_cotters"]}}
    answer = put(client, SMALL | {"operations": SMALL["operations"] | circle})
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/impossible-value")
    (error,) = answer.json()["errors"]
    assert "measure, draw_cotters" in error["detail"]
    assert client.get(PATH).json() == SHIPPED


@pytest.mark.parametrize(
    ("members", "code", "pointer"),
    [
        ({"operations": {"wash": {"name": "Wash"}}}, "patch-outcome", "/operations/wash/minutes"),
        ({"operations": {"chase_threads": {"times": 5}}}, "patch-outcome", "/operations/chase_threads/times"),
        ({"operations": {"Wash it": {"name": "Wash"}}}, "invalid-body", "/operations/Wash it"),
        ({"operations": {"fixed_cup": {"after": ["scrub"]}}}, "impossible-value", "/operations/fixed_cup/after/0"),
        ({"colour": "red"}, "invalid-body", "/colour"),
    ],
)  # fmt: skip
def test_a_patch_to_what_cannot_be_is_refused_at_its_place(
    client: Client, members: dict[str, Any], code: str, pointer: str
) -> None:
    answer = patch(client, **members)
    assert (answer.status_code, answer.json()["type"]) == (422, f"/problems/{code}")
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    assert client.get(PATH).json() == SHIPPED


def test_a_book_in_another_form_is_told_which_would_do(client: Client) -> None:
    answer = put(client, b"a=1", "application/x-www-form-urlencoded")
    assert answer.status_code == 415
    assert "application/json or text/csv" in answer.json()["detail"]
    settings = client.put("/v1/settings", content=b"a", headers={"If-Match": "*", "Content-Type": "text/csv"})
    assert settings.status_code == 415


def test_another_shop_and_test_mode_have_their_own(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    put(client, SMALL)
    for other in (shop_b, shop_a_test):
        assert client.get(PATH, headers=other.headers).json() == SHIPPED


def test_a_change_is_in_the_audit_trail(client: Client, shop_a: Shop) -> None:
    put(client, SMALL)
    found = client.get("/v1/audit", params={"subject_id": str(shop_a.tenant.shop)}).json()["entries"]
    assert [(entry["action"], entry["detail"]) for entry in found] == [("labour_book.changed", {"version": 1})]
