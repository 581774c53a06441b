"""A bicycle has one answer: alone, in a stream or from a file it is the same to the byte."""

import random
from pathlib import Path
from typing import Any

import httpx
import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st
from litestar.testing import TestClient

from cotterline.api.bicycles.forms import JSON_LINES
from cotterline.api.edge import Edge
from tests.benchmarks.invented_bikes import csv_rows, invented, json_lines
from tests.command_line import run

Client = TestClient[Edge]
BIKES = 250
"""As many as a key may ask for one after the other."""

EXAMPLES = 60
JSON = {"Content-Type": "application/json"}


def single(client: Client, place: str, line: bytes) -> bytes:
    """What the call for one bicycle answers, put as a line."""
    answer = client.post("/v1/estimates", content=line, headers=JSON)
    if answer.is_success:
        return b'{"place":"%s","reference":"%s","result":%s}' % (place.encode(), _reference(line), answer.content)
    return _refusal(place, answer.json())


def as_single(line: bytes) -> bytes:
    """A line of a stream or a file as it is; a problem without what names the request it came in."""
    told = msgspec.json.decode(line)
    return _refusal(told["place"], told["problem"]) if "problem" in told else line


def _reference(line: bytes) -> bytes:
    return msgspec.json.encode(msgspec.json.decode(line)["reference"])[1:-1]


def _refusal(place: str, problem: dict[str, Any]) -> bytes:
    said = {name: problem[name] for name in ("type", "title", "status", "errors")}
    return msgspec.json.encode({"place": place, "problem": said})


def stream(client: Client, content: bytes, kind: str = JSON_LINES) -> list[bytes]:
    headers = {"Content-Type": kind, "Accept": JSON_LINES}
    answer = client.post("/v1/quotes/stream", content=content, headers=headers)
    assert answer.status_code == httpx.codes.OK, answer.text
    return answer.content.splitlines()[:-1]


def test_a_stream_and_a_file_say_what_the_call_for_one_says(bench: Client, tmp_path: Path) -> None:
    asked = list(json_lines(BIKES))
    one_by_one = [single(bench, f"line {number}", line) for number, line in enumerate(asked, start=1)]
    streamed = stream(bench, b"".join(asked))
    assert [as_single(line) for line in streamed] == one_by_one
    (tmp_path / "bikes.jsonl").write_bytes(b"".join(asked))
    filed = run("quote", "bikes.jsonl", "--as", "json-lines", folder=tmp_path).stdout.encode().splitlines()
    assert filed == [line for line in streamed if b'"result":' in line]
    assert 0 < len(filed) < BIKES  # some are refused in every way of asking


def test_rows_are_answered_alike_by_the_stream_and_from_a_file(bench: Client, tmp_path: Path) -> None:
    table = b"".join(csv_rows(BIKES))
    (tmp_path / "bikes.csv").write_bytes(table)
    filed = run("quote", "bikes.csv", "--as", "json-lines", folder=tmp_path).stdout.encode().splitlines()
    assert filed == [line for line in stream(bench, table, "text/csv") if b'"result":' in line]


def test_no_bicycle_can_be_drawn_whose_answers_differ(bench: Client) -> None:
    @settings(max_examples=EXAMPLES)
    @given(st.randoms(use_true_random=False))
    def law(chance: random.Random) -> None:
        line = msgspec.json.encode(invented(chance))
        (streamed,) = stream(bench, line)
        assert as_single(streamed) == single(bench, "line 1", line)

    law()
