"""Runs over HTTP: made, filled piece by piece, paused, cancelled; no byte lost or doubled, and quotas that are told."""

import contextlib
import time
from collections.abc import Iterator
from itertools import pairwise
from typing import Any
from uuid import uuid4

import httpx
import pytest
from litestar.testing import TestClient

from cotterline.api.bicycles.forms import JSON_LINES
from cotterline.api.edge import Edge
from tests.api.conftest import service, settings
from tests.benchmarks.invented_bikes import json_lines
from tests.serving import Served, serving
from tests.shops import Shop
from tests.wire import Wire, resident

Client = TestClient[Edge] | httpx.Client
LINES = b"".join(json_lines(30))
QUOTA = 48 * 1024 * 1024


def act(client: Client, run: str, action: str, key: str = "") -> httpx.Response:
    headers = {"Idempotency-Key": key or str(uuid4())}
    return client.post(f"/v1/quote-runs/{run}/transitions", json={"action": action}, headers=headers)


def made(client: Client, **asked: object) -> dict[str, Any]:
    body = {"bicycles_form": "json_lines", **asked}
    answer = client.post("/v1/quote-runs", json=body, headers={"Idempotency-Key": str(uuid4())})
    assert answer.status_code == 201, answer.text
    run: dict[str, Any] = answer.json()
    assert answer.headers["location"].endswith(f"/v1/quote-runs/{run['id']}")
    return run


def read(client: Client, run: str) -> dict[str, Any]:
    answer = client.get(f"/v1/quote-runs/{run}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def send(client: Client, run: str, piece: bytes, offset: object, complete: str | None = None) -> httpx.Response:
    headers = {"Content-Type": "application/partial-upload", "Upload-Offset": str(offset)}
    more = {} if complete is None else {"Upload-Complete": complete}
    return client.patch(f"/v1/quote-runs/{run}/bicycles", content=piece, headers=headers | more)


def type_of(answer: httpx.Response) -> str:
    return str(answer.json()["type"]).removeprefix("/problems/")


def test_a_run_is_made_empty_and_takes_bicycles_in_pieces_cut_anywhere(client: Client) -> None:
    run = made(client, answers_form="csv", reference="a season")
    assert (run["state"], run["received_bytes"], run["bicycles"]) == ("receiving", 0, 0)
    assert (run["answers_form"], run["reference"], run["derivation"]) == ("csv", "a season", False)
    for start in range(0, len(LINES), 1000):
        sent = send(client, run["id"], LINES[start : start + 1000], start)
        assert sent.status_code == 204, sent.text
        assert sent.headers["upload-offset"] == str(min(start + 1000, len(LINES)))
        assert sent.headers["upload-complete"] == "?0"
    whole = send(client, run["id"], b"", len(LINES), "?1")
    assert (whole.status_code, whole.headers["upload-complete"]) == (204, "?1")
    after = read(client, run["id"])
    assert (after["bicycles"], after["received_bytes"]) == (30, len(LINES))
    assert after["state"] == "working"


@pytest.mark.parametrize("offset", [0, 499, 501, 10**14])
def test_a_piece_at_another_offset_is_refused_with_the_right_one(client: Client, offset: int) -> None:
    run = made(client)["id"]
    assert send(client, run, LINES[:500], 0).status_code == 204
    refused = send(client, run, LINES[offset : offset + 500], offset)
    assert (refused.status_code, type_of(refused)) == (409, "mismatching-upload-offset")
    assert refused.headers["upload-offset"] == "500"
    assert read(client, run)["received_bytes"] == 500


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Upload-Offset": "-1"},
        {"Upload-Offset": "01"},
        {"Upload-Offset": "1.0"},
        {"Upload-Offset": "0", "Upload-Complete": "true"},
        {"Upload-Offset": "0", "Upload-Complete": "?2"},
    ],
)
def test_a_piece_that_does_not_say_where_it_belongs_is_malformed(client: Client, headers: dict[str, str]) -> None:
    run = made(client)["id"]
    sent = client.patch(
        f"/v1/quote-runs/{run}/bicycles",
        content=LINES,
        headers={"Content-Type": "application/partial-upload", **headers},
    )
    assert (sent.status_code, type_of(sent)) == (400, "malformed-request")
    assert "Upload-" in sent.json()["detail"]
    assert read(client, run)["received_bytes"] == 0


def test_nothing_is_taken_in_another_form_of_body_or_for_another_shops_run(client: Client, shop_b: Shop) -> None:
    run = made(client)["id"]
    kind = client.patch(f"/v1/quote-runs/{run}/bicycles", content=LINES, headers={"Upload-Offset": "0"})
    assert (kind.status_code, kind.headers["accept-patch"]) == (415, "application/partial-upload")
    foreign = {"Authorization": f"Bearer {shop_b.key}"}
    for answer in (
        client.get(f"/v1/quote-runs/{run}", headers=foreign),
        client.patch(
            f"/v1/quote-runs/{run}/bicycles",
            content=LINES,
            headers={"Upload-Offset": "0", "Content-Type": "application/partial-upload", **foreign},
        ),
        client.post(
            f"/v1/quote-runs/{run}/transitions",
            json={"action": "cancel"},
            headers={"Idempotency-Key": str(uuid4()), **foreign},
        ),
    ):
        assert (answer.status_code, type_of(answer)) == (404, "not-found")
    assert client.get("/v1/quote-runs", headers=foreign).json() == {"quote_runs": []}
    assert read(client, run)["state"] == "receiving"


def test_a_table_that_is_none_of_bicycles_is_refused_and_what_came_before_stays(client: Client) -> None:
    run = made(client, bicycles_form="csv")["id"]
    refused = send(client, run, b"colour,size\nred,3\n", 0)
    assert (refused.status_code, type_of(refused)) == (422, "invalid-table")
    assert "colour" in refused.json()["detail"]
    assert read(client, run)["received_bytes"] == 0
    assert send(client, run, b"reference,shell_width\nred,68\n", 0, "?1").status_code == 204


def test_what_can_be_done_follows_the_table_and_a_run_is_cancelled_once(client: Client) -> None:
    run = made(client)["id"]
    assert act(client, run, "pause").json()["state"] == "paused"
    closed = send(client, run, LINES, 0)
    assert (closed.status_code, type_of(closed)) == (409, "wrong-state")
    assert act(client, run, "resume").json()["state"] == "receiving"
    assert send(client, run, LINES, 0).status_code == 204
    key = str(uuid4())
    assert act(client, run, "cancel", key).json()["state"] == "cancelled"
    again = act(client, run, "cancel", key)
    assert (again.status_code, again.headers["idempotency-replayed"]) == (200, "true")
    twice = act(client, run, "cancel")
    assert (twice.status_code, type_of(twice)) == (409, "wrong-state")
    assert "nothing" in twice.json()["detail"]
    trail = [entry["action"] for entry in client.get("/v1/audit").json()["entries"] if entry["subject_id"] == run]
    assert trail == [f"quote_run.{done}" for done in ("cancelled", "resumed", "paused", "created")]


def test_the_name_of_an_event_that_is_longer_than_the_document_allows_is_refused(client: Client) -> None:
    run = made(client)["id"]
    assert act(client, run, "cancel").status_code == 200
    path = f"/v1/quote-runs/{run}/progress"
    assert client.get(path, headers={"Last-Event-ID": "9" * 1000}).status_code == 200
    refused = client.get(path, headers={"Last-Event-ID": "9" * 1001})
    assert (refused.status_code, type_of(refused)) == (400, "malformed-request")


def test_runs_are_listed_newest_first_page_by_page(client: Client) -> None:
    ids = [made(client)["id"] for _ in range(3)]
    first = client.get("/v1/quote-runs", params={"limit": 2})
    assert [run["id"] for run in first.json()["quote_runs"]] == ids[:0:-1]
    second = client.get("/v1/quote-runs", params={"limit": 2, "cursor": first.json()["next_cursor"]})
    assert [run["id"] for run in second.json()["quote_runs"]] == ids[:1]
    assert "next_cursor" not in second.json()


def test_one_body_is_made_a_run_where_that_is_preferred(client: Client) -> None:
    headers = {"Content-Type": JSON_LINES, "Prefer": "wait=5, Respond-Async", "Accept": "text/csv"}
    answer = client.post("/v1/quotes/stream", content=LINES, headers=headers)
    assert answer.status_code == 202, answer.text
    assert answer.headers["preference-applied"] == "respond-async"
    run = answer.json()
    assert answer.headers["location"].endswith(f"/v1/quote-runs/{run['id']}")
    assert (run["bicycles"], run["bicycles_form"], run["answers_form"]) == (30, "json_lines", "csv")
    streamed = client.post("/v1/quotes/stream", content=LINES, headers=headers | {"Prefer": "return=minimal"})
    assert (streamed.status_code, "preference-applied" in streamed.headers) == (200, False)


def test_a_body_that_cannot_be_taken_in_leaves_no_open_run(client: Client) -> None:
    refused = client.post(
        "/v1/quotes/stream", content=b"colour\nred\n", headers={"Content-Type": "text/csv", "Prefer": "respond-async"}
    )
    assert (refused.status_code, type_of(refused)) == (422, "invalid-table")
    (run,) = client.get("/v1/quote-runs").json()["quote_runs"]
    assert run["state"] == "cancelled"


@pytest.mark.parametrize(
    ("limit", "words"),
    [({"runs_at_once": 1}, "1 runs of"), ({"run_bicycles": 29}, "29 bicycles"), ({"run_bytes": 1024}, "1024 bytes")],
)
def test_beyond_a_quota_nothing_more_is_taken_and_the_limit_is_named(
    database_url: str, shop_a: Shop, limit: dict[str, int], words: str
) -> None:
    with TestClient(service("quota", settings(database_url, **limit))) as client:
        client.headers["Authorization"] = f"Bearer {shop_a.key}"
        run = made(client)["id"]
        if "runs_at_once" in limit:
            refused = client.post(
                "/v1/quote-runs", json={"bicycles_form": "csv"}, headers={"Idempotency-Key": str(uuid4())}
            )
        else:
            assert send(client, run, LINES[:500], 0).status_code == 204
            refused = send(client, run, LINES[500:], 500, "?1")
        assert (refused.status_code, type_of(refused)) == (409, "quota-reached")
        assert words in refused.json()["detail"]
        assert read(client, run)["received_bytes"] == (0 if "runs_at_once" in limit else 500)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("runs"), worker="off", run_bytes=QUOTA) as found:
        yield found


@pytest.fixture
def caller(served: Served) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {served.key}"}
    with httpx.Client(base_url=served.address, headers=headers, timeout=30) as client:
        yield client
        for run in client.get("/v1/quote-runs").json()["quote_runs"]:
            if run["state"] != "cancelled":
                assert act(client, run["id"], "cancel").status_code == 200


def upload(served: Served, run: str, offset: int) -> Wire:
    return Wire(
        served,
        f"PATCH /v1/quote-runs/{run}/bicycles",
        Content_Type="application/partial-upload",
        Upload_Offset=str(offset),
    )


def test_what_a_lost_connection_brought_is_kept_and_the_upload_goes_on_from_there(
    served: Served, caller: httpx.Client
) -> None:
    run = made(caller)["id"]
    sent = 0
    for cut in (1, 700, 9000):
        wire = upload(served, run, sent)
        wire.send(LINES[sent : sent + cut])
        time.sleep(0.2)  # what lies in a socket when it is closed need not arrive
        wire.socket.close()
        sent += cut
        deadline = time.monotonic() + 10
        while read(caller, run)["received_bytes"] < sent and time.monotonic() < deadline:
            time.sleep(0.02)
        assert read(caller, run)["received_bytes"] == sent
    assert send(caller, run, LINES[sent:], sent, "?1").status_code == 204
    assert read(caller, run)["bicycles"] == 30


def test_of_two_uploads_at_one_offset_one_is_told_the_right_one(served: Served, caller: httpx.Client) -> None:
    run = made(caller)["id"]
    first, second = upload(served, run, 0), upload(served, run, 0)
    for wire in (first, second):
        wire.send(LINES[:5000])
    time.sleep(0.2)
    heads = []
    for wire in (first, second):
        wire.end()
        heads.append(wire.until(b"\r\n\r\n").lower())
        wire.socket.close()
    assert sorted(head.split(b" ")[1] for head in heads) == [b"204", b"409"]
    assert all(b"upload-offset: 5000" in head for head in heads)
    assert read(caller, run)["received_bytes"] == 5000


def test_a_line_without_end_is_passed_over_and_an_upload_without_end_ends_at_the_quota(
    served: Served, caller: httpx.Client
) -> None:
    """The service holds a piece at a time, so memory does not grow with the upload."""
    run = made(caller)["id"]
    wire = upload(served, run, 0)
    sizes = []
    with contextlib.suppress(ConnectionError):
        for _ in range(5):
            for _ in range(200):
                wire.send(b"x" * 65536)
            sizes.append(resident())
    head = wire.until(b"}")
    wire.socket.close()
    assert b" 409 " in head.partition(b"\r\n")[0]
    assert b"/problems/quota-reached" in head
    assert max(after - before for before, after in pairwise(sizes)) < 8 * 1024
    after = read(caller, run)
    assert 0 <= QUOTA - after["received_bytes"] < 2 * 1024 * 1024
    assert after["bicycles"] <= 1
