"""Bad input: each a problem document that names the field, never a failure, and nothing stored."""

from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge

JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
WIDTH = 1
"""Where the shell width stands in the job's evidence."""


def _with(*path: str | int, value: object) -> dict[str, Any]:
    """The job with one member set."""
    job: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
    *way, last = path
    node: Any = job
    for step in way:
        node = node[step]
    node[last] = value
    return job


def _width(**reading: object) -> dict[str, Any]:
    return _with("evidence", WIDTH, "reading", value=reading)


def _evidence(*items: dict[str, Any]) -> dict[str, Any]:
    return JOB | {"evidence": [*items]}


GAUGE = {"kind": "pitch_gauge", "side": "drive", "leaf": 24, "leaf_unit": "tpi"}
BODY, VALUE, CONFLICT = "invalid-body", "impossible-value", "evidence-conflict"

FAULTS: dict[str, tuple[dict[str, Any], str, list[str]]] = {
    "unknown field": (JOB | {"colour": "red"}, BODY, ["/colour"]),
    "unknown field deep inside": (_width(value=67, units="mm"), BODY, [f"/evidence/{WIDTH}/reading/units"]),
    "unknown kind of evidence": (_evidence({"kind": "smell"}), BODY, ["/evidence/0/kind"]),
    "evidence without its kind": (_evidence({"side": "drive"}), BODY, ["/evidence/0/kind"]),
    "missing field": (
        _with("spindle", "crank", value={"known_by": "cotter_distance"}),
        BODY,
        ["/spindle/crank/distance"],
    ),
    "wrong unit": (_width(value=67, unit="cm"), BODY, [f"/evidence/{WIDTH}/reading/unit"]),
    "wrong unit of a leaf": (_evidence(GAUGE | {"leaf_unit": "inch"}), BODY, ["/evidence/0/leaf_unit"]),
    "number in words": (_width(value="67"), BODY, [f"/evidence/{WIDTH}/reading/value"]),
    "no number": (_width(value=None), BODY, [f"/evidence/{WIDTH}/reading/value"]),
    "no evidence": (_evidence(), BODY, ["/evidence"]),
    "too much evidence": (_evidence(*[GAUGE] * 41), BODY, ["/evidence"]),
    "negative plus-minus": (_width(value=67, plus_minus=-1), BODY, [f"/evidence/{WIDTH}/reading/plus_minus"]),
    "reference too long": (JOB | {"reference": "x" * 201}, BODY, ["/reference"]),
    "tolerance of nothing": (
        JOB | {"settings": {"chain_line_tolerance_mm": 0}},
        BODY,
        ["/settings/chain_line_tolerance_mm"],
    ),
    "order probability lowered": (
        JOB | {"settings": {"order_probability": 0.5}},
        BODY,
        ["/settings/order_probability"],
    ),
    "shell of 300 mm": (_width(value=300), VALUE, [f"/evidence/{WIDTH}/reading/value"]),
    "shell of 68 inches": (_width(value=68, unit="in"), VALUE, [f"/evidence/{WIDTH}/reading/value"]),
    "negative length": (_width(value=-67), VALUE, [f"/evidence/{WIDTH}/reading/value"]),
    "length of nothing": (_width(value=0), VALUE, [f"/evidence/{WIDTH}/reading/value"]),
    "year 1700": (_evidence(GAUGE, {"kind": "origin", "earliest_year": 1700}), BODY, ["/evidence/1/earliest_year"]),
    "years backwards": (
        _evidence(GAUGE, {"kind": "origin", "earliest_year": 1980, "latest_year": 1970}),
        VALUE,
        ["/evidence/1/latest_year"],
    ),
    "leaf of 5 tpi": (_evidence(GAUGE | {"leaf": 5}), VALUE, ["/evidence/0/leaf"]),
    "chain stay of a metre": (
        _with("drivetrain", "chainstay_length", "value", value=1000),
        VALUE,
        ["/drivetrain/chainstay_length/value"],
    ),
    "cotters 30 mm apart": (
        _with("spindle", "crank", "distance", "value", value=30),
        VALUE,
        ["/spindle/crank/distance/value"],
    ),
    "two impossible values": (
        _with("drivetrain", "chainstay_length", "value", value=1000) | {"evidence": [GAUGE | {"leaf": 5}]},
        VALUE,
        ["/evidence/0/leaf", "/drivetrain/chainstay_length/value"],
    ),
    "a bore both threaded and plain": (
        _evidence(GAUGE, *[{"kind": "bore", "side": "drive", "look": look} for look in ("threaded", "plain")]),
        CONFLICT,
        ["/evidence/2/look"],
    ),
    "two origins": (
        _evidence({"kind": "origin", "country": "GB"}, GAUGE, {"kind": "origin", "country": "FR"}),
        CONFLICT,
        ["/evidence/2"],
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_bad_input_is_refused_by_field_and_nothing_is_stored(client: TestClient[Edge], name: str) -> None:
    body, code, pointers = FAULTS[name]
    response = client.post("/v1/quotes", json=body)
    problem = response.json()
    assert (response.status_code, problem["type"]) == (422, f"/problems/{code}")
    found = [error["pointer"] for error in problem["errors"]]
    assert len(found) >= len(pointers)
    for pointer in pointers:
        assert any(place == pointer or place.startswith(f"{pointer}/") for place in found), found
    assert all(error["detail"] for error in problem["errors"])
    assert client.get("/v1/quotes").json() == {"quotes": []}


RAW: dict[str, tuple[bytes, str, int, str]] = {
    "nothing": (b"", "application/json", 400, "malformed-request"),
    "cut off": (b'{"evidence": [', "application/json", 400, "malformed-request"),
    "not a number": (
        b'{"evidence": [{"kind": "shell_width", "reading": {"value": NaN}}]}',
        "application/json",
        400,
        "malformed-request",
    ),
    "no UTF-8": (b'{"evidence": [], "reference": "\xff\xfe"}', "application/json", 400, "malformed-request"),
    "nested deep": (b'{"evidence": ' + b"[" * 200_000, "application/json", 400, "malformed-request"),
    "a form": (b"evidence=1", "application/x-www-form-urlencoded", 415, "unsupported-media-type"),
    "no kind": (b"{}", "", 415, "unsupported-media-type"),
    "10 MB": (b" " * 10_000_000, "application/json", 413, "request-too-large"),
}


@pytest.mark.parametrize("name", RAW)
def test_a_body_that_cannot_be_read_is_refused_and_nothing_is_stored(client: TestClient[Edge], name: str) -> None:
    content, kind, status, code = RAW[name]
    headers = {"content-type": kind} if kind else {}
    response = client.post("/v1/quotes", content=content, headers=headers)
    assert (response.status_code, response.json()["type"]) == (status, f"/problems/{code}")
    assert response.json()["detail"]
    assert client.get("/v1/quotes").json() == {"quotes": []}


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity"])
def test_what_json_has_no_number_for_is_named_where_it_stands(client: TestClient[Edge], value: str) -> None:
    body = '{"evidence": [{"kind": "shell_width", "reading": {"value": ' + value + "}}]}"
    response = client.post("/v1/quotes", content=body, headers={"content-type": "application/json"})
    assert response.status_code == 400
    assert response.json()["errors"] == [
        {"pointer": "/evidence/0/reading/value", "detail": f"JSON has no number {value}"}
    ]


@pytest.mark.parametrize("value", ["1e999", "-1e999", "1" * 400])
def test_a_number_beyond_any_measure_is_named(client: TestClient[Edge], value: str) -> None:
    body = '{"evidence": [{"kind": "shell_width", "reading": {"value": ' + value + "}}]}"
    response = client.post("/v1/quotes", content=body, headers={"content-type": "application/json"})
    assert response.status_code == 422
    assert [error["pointer"] for error in response.json()["errors"]] == ["/evidence/0/reading/value"]


def test_a_character_one_database_could_not_hold_is_refused_on_both(client: TestClient[Edge]) -> None:
    response = client.post("/v1/quotes", json=JOB | {"reference": "hook\0seven"})
    assert response.json()["errors"] == [{"pointer": "/reference", "detail": "must not contain the character U+0000"}]
    assert client.get("/v1/quotes").json() == {"quotes": []}


def test_the_job_itself_is_good_input(client: TestClient[Edge]) -> None:
    assert client.post("/v1/quotes", json=JOB).status_code == 201
    assert len(client.get("/v1/quotes").json()["quotes"]) == 1
