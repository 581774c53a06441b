"""Streams of bicycles: answered in order while they come, one bad line in its place, nothing held and nothing kept."""

import csv
import io
import json
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples, quote_streams
from cotterline.api.bicycles.forms import JSON_LINES
from cotterline.api.edge import Edge
from tests.api.conftest import SECRET_KEY
from tests.serving import Served, serving, serving_from
from tests.shops import Shop
from tests.wire import Wire, resident

Client = TestClient[Edge]
FIXTURES = Path(__file__).parents[2] / "demo_fixtures"
BIKES: list[dict[str, Any]] = json.loads((FIXTURES / "bikes.json").read_text())
GOOD = json.dumps(json.loads(examples.read("whole_job"))).encode() + b"\n"


def stream(client: Client, content: bytes, kind: str = JSON_LINES, **headers: str) -> httpx.Response:
    return client.post("/v1/quotes/stream", content=content, headers={"Content-Type": kind, **headers})


def lines(answer: httpx.Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == JSON_LINES
    return [json.loads(line) for line in answer.content.splitlines()]


def jsonl(bikes: list[dict[str, Any]]) -> bytes:
    return b"".join(json.dumps(bike).encode() + b"\n" for bike in bikes)


def test_every_bicycle_is_answered_as_the_single_call_answers_it(bench: Client) -> None:
    *answers, last = lines(stream(bench, jsonl(BIKES)))
    assert [answer["place"] for answer in answers] == [f"line {number}" for number in range(1, len(BIKES) + 1)]
    for bike, answer in zip(BIKES, answers, strict=True):
        single = bench.post("/v1/estimates", json=bike)
        assert msgspec.json.decode(msgspec.json.encode(answer["result"])) == single.json()
        assert answer["reference"] == bike["reference"]
    assert last == {"summary": {"bicycles": len(BIKES), "quoted": len(BIKES), "refused": 0, "complete": True}}


def test_an_answer_holds_the_very_bytes_of_the_single_call(bench: Client) -> None:
    line = stream(bench, GOOD).content.splitlines()[0]
    single = bench.post("/v1/estimates", content=GOOD, headers={"Content-Type": "application/json"}).content
    assert single in line


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        (b"{", "malformed-request"),
        (b"\xff\xfe", "malformed-request"),
        (b"[" * 100_000, "malformed-request"),
        (b'{"evidence":[],"colour":"red"}', "invalid-body"),
        (b'{"evidence":[{"kind":"shell_width","reading":{"value":-1}}]}', "impossible-value"),
        (b'{"evidence":[{"kind":"shell_width","reading":{"value":NaN}}]}', "malformed-request"),
        (b'{"evidence":[{"kind":"shell_width","reading":{"value":300}}]}', "impossible-value"),
        (b'{"reference":"' + b"x" * (2 * 1024 * 1024) + b'"}', "request-too-large"),
    ],
)
def test_one_bad_line_is_answered_in_its_place_and_the_others_go_on(bench: Client, bad: bytes, code: str) -> None:
    first, wrong, third, last = lines(stream(bench, GOOD + bad + b"\n\n" + GOOD))
    assert first["result"] == third["result"]
    assert (first["place"], wrong["place"], third["place"]) == ("line 1", "line 2", "line 4")
    assert wrong["problem"]["type"] == f"/problems/{code}"
    assert wrong["problem"]["errors"]
    assert last["summary"] == {"bicycles": 3, "quoted": 2, "refused": 1, "complete": True}


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf"])
def test_an_empty_stream_is_no_bicycles(bench: Client, content: bytes) -> None:
    assert lines(stream(bench, content)) == [{"summary": {"bicycles": 0, "quoted": 0, "refused": 0, "complete": True}}]


def test_a_mark_of_utf_8_and_a_last_line_without_an_end_are_read(bench: Client) -> None:
    *answers, _ = lines(stream(bench, b"\xef\xbb\xbf" + GOOD + GOOD.strip()))
    assert [set(answer) for answer in answers] == [{"place", "reference", "result"}] * 2


def test_rows_are_answered_by_rows_and_by_json_where_that_is_asked_for(bench: Client) -> None:
    table = (FIXTURES / "bikes.csv").read_bytes()
    answer = stream(bench, table, "text/csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    *rows, last = csv.DictReader(io.StringIO(answer.text, newline=""))
    *told, summary = lines(stream(bench, table, "text/csv", Accept=JSON_LINES))
    assert len(rows) == len(BIKES)
    for row, line, bike in zip(rows, told, BIKES, strict=True):
        result = line["result"]
        assert row["place"] == line["place"]
        assert row["reference"] == bike["reference"]
        assert row["state"] == result["verdict"]["state"]
        assert row["ceiling"] == result["estimate"].get("ceiling", {}).get("amount", {}).get("amount", "")
        spindle = result.get("spindle")
        assert row["spindle"] == (str(spindle["first"]["spindle_length"]["value"]) if spindle else "")
    assert (last["place"], last["state"]) == ("summary", "complete")
    assert summary["summary"]["quoted"] == len(BIKES)


def test_a_row_that_is_wrong_names_its_columns(bench: Client) -> None:
    table = b"reference,shell_width,drive_gauge_tpi\n=1+1,sixty,24\nsecond,68,24\n"
    wrong, right, _ = csv.DictReader(io.StringIO(stream(bench, table, "text/csv").text, newline=""))
    assert wrong["problem"].startswith("shell_width: must be a number")
    assert wrong["reference"] == "'=1+1"  # a spreadsheet would run it: OWASP, "CSV Injection"
    assert right["problem"] == ""
    assert right["state"]


@pytest.mark.parametrize("accept", [JSON_LINES, "text/csv"])
def test_a_reference_that_is_not_utf_8_refuses_its_row_alone(bench: Client, accept: str) -> None:
    table = "reference,shell_width\nFähre,68\nsecond,68\n".encode("latin-1")
    told = stream(bench, table, "text/csv", Accept=accept).text
    assert "reference: is not UTF-8" in told or '"pointer":"reference","detail":"is not UTF-8' in told
    assert "2 bicycles, 1 quoted, 1 refused" in told or '"bicycles":2,"quoted":1,"refused":1,"complete":true' in told


def test_a_header_that_is_not_utf_8_is_told_so(bench: Client) -> None:
    refused = stream(bench, "Größe,shell_width,Größe\n1,68,2\n".encode("latin-1"), "text/csv")
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/invalid-table")
    assert "its header is not UTF-8" in refused.json()["detail"]


@pytest.mark.parametrize("table", [b"colour,size\nred,3\n", b'"never closed\n'])
def test_a_table_of_something_else_is_refused_whole(bench: Client, table: bytes) -> None:
    refused = stream(bench, table, "text/csv")
    assert refused.status_code == 422
    assert refused.json()["type"] == "/problems/invalid-table"


@pytest.mark.parametrize("kind", ["application/json", "text/plain", "application/x-ndjson; charset=latin1", ""])
def test_another_kind_of_body_is_refused(bench: Client, kind: str) -> None:
    refused = stream(bench, GOOD, kind)
    assert refused.status_code == 415
    assert JSON_LINES in refused.json()["detail"]


def test_it_asks_for_the_scope_of_quoting(bench: Client) -> None:
    bench.headers.pop("authorization")
    assert stream(bench, GOOD).status_code == 401


def test_nothing_is_kept(bench: Client) -> None:
    stream(bench, GOOD * 3)
    assert bench.get("/v1/quotes").json()["quotes"] == []


@pytest.mark.parametrize("limit", ["MOST", "MOST_OF_ONE"])
def test_more_streams_than_there_may_be_are_put_off_until_one_ends(
    served: Served, monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    monkeypatch.setattr(quote_streams, limit, 1)
    first = Wire(served)
    first.send(GOOD)
    first.until(b"}\n")
    refused = _sent(served)
    assert (refused.status_code, int(refused.headers["retry-after"]) > 0) == (503, True)
    first.end()
    assert b'"complete":true' in first.until(b"}\n")
    first.socket.close()
    while _sent(served).status_code == 503:
        time.sleep(0.05)


def _sent(served: Served) -> httpx.Response:
    headers = {"Authorization": f"Bearer {served.key}", "Content-Type": JSON_LINES}
    return httpx.post(f"{served.address}/v1/quotes/stream", content=GOOD, headers=headers, timeout=20)


def test_one_shop_leaves_room_for_another(
    database_url: str, shop_a: Shop, shop_b: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quote_streams, "MOST_OF_ONE", 1)
    with serving_from(database_url, shop_a.key, worker="off", secret_keys=SECRET_KEY) as served:
        wire = Wire(served)
        wire.send(GOOD)
        wire.until(b"}\n")
        assert _sent(served).status_code == 503
        assert _sent(served._replace(key=shop_b.key)).status_code == 200
        wire.socket.close()


def test_a_failure_before_the_first_answer_is_an_ordinary_one(bench: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quote_streams, "answer", _fail)
    failed = stream(bench, GOOD)
    assert (failed.status_code, failed.json()["type"]) == (500, "/problems/internal-error")


def _fail(*_: object, **__: object) -> None:
    raise RuntimeError("broken on purpose")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve on a socket."""
    with serving(tmp_path_factory.mktemp("served"), worker="off") as served:
        yield served


def test_an_answer_comes_before_the_next_bicycle_is_sent(served: Served) -> None:
    wire = Wire(served)
    for number in range(1, 4):
        wire.send(GOOD)
        assert f'"place":"line {number}"'.encode() in wire.until(b"}\n")
    wire.end()
    assert b'"complete":true' in wire.until(b"}\n")
    wire.socket.close()


def test_a_failure_midway_is_said_on_the_last_line(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    wire = Wire(served)
    wire.send(GOOD)
    wire.until(b"}\n")
    monkeypatch.setattr(quote_streams, "answer", _fail)
    wire.send(GOOD)
    last = wire.until(b"}\n")
    assert b'"complete":false' in last
    assert b"/problems/internal-error" in last
    assert b"broken on purpose" not in last
    wire.socket.close()


def test_a_client_that_sends_nothing_more_is_told_how_far_it_came(tmp_path: Path) -> None:
    with serving(tmp_path, body_seconds=1.0, worker="off") as impatient:
        wire = Wire(impatient)
        wire.send(GOOD)
        wire.until(b"}\n")
        last = wire.until(b"}\n")
        assert b'"bicycles":1,"quoted":1,"refused":0,"complete":false' in last
        assert b"/problems/request-timeout" in last
        wire.socket.close()


def test_a_stream_may_last_longer_than_a_body_while_it_goes_on(tmp_path: Path) -> None:
    with serving(tmp_path, body_seconds=1.0, worker="off") as impatient:
        wire = Wire(impatient)
        for _ in range(4):
            time.sleep(0.4)
            wire.send(GOOD)
            wire.until(b"}\n")
        wire.end()
        assert b'"bicycles":4,"quoted":4,"refused":0,"complete":true' in wire.until(b"}\n")
        wire.socket.close()


def test_a_client_that_goes_away_is_let_go_and_the_service_goes_on(served: Served) -> None:
    for _ in range(quote_streams.MOST + 2):
        wire = Wire(served)
        wire.send(GOOD + GOOD[:20])
        wire.until(b"}\n")
        wire.socket.close()
        while (after := _sent(served)).status_code == 503:
            time.sleep(0.05)
        assert b'"complete":true' in after.content


def test_memory_does_not_grow_with_the_stream(served: Served) -> None:
    """A line as long as a gigabyte would be is passed over in pieces: the service holds one of them at a time."""
    wire = Wire(served)
    wire.send(GOOD)
    wire.until(b"}\n")
    sizes = [resident()]
    for _ in range(4):
        for _ in range(200):
            wire.send(b"x" * 65536)
        sizes.append(resident())
    wire.send(b"\n" + GOOD)
    assert b"/problems/request-too-large" in wire.until(b"}\n")
    assert b'"place":"line 3"' in wire.until(b"}\n")
    wire.end()
    assert b'{"bicycles":3,"quoted":2,"refused":1,"complete":true}' in wire.until(b"}\n")
    wire.socket.close()
    assert max(after - before for before, after in pairwise(sizes)) < 6 * 1024
