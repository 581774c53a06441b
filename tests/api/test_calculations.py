"""The stateless calculations over HTTP: typed in, one call, deterministic out."""

from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import VerdictRequest, judge

CALLS = {
    "/v1/thread-verdicts": "clear_shell",
    "/v1/spindle-options": "known_crank",
    "/v1/chainline-predictions": "two_rings",
}
Client = TestClient[Edge]


@pytest.mark.parametrize("path", CALLS)
def test_the_same_body_gives_the_same_bytes(bench: Client, path: str) -> None:
    body = msgspec.json.decode(examples.read(CALLS[path]))
    first = bench.post(path, json=body)
    assert first.status_code == 200
    assert bench.post(path, json=body).content == first.content
    backwards = dict(reversed(body.items()))
    assert bench.post(path, json=backwards).content == first.content


@pytest.mark.parametrize("path", CALLS)
def test_the_derivation_comes_when_it_is_asked_for_and_changes_nothing_else(bench: Client, path: str) -> None:
    body = msgspec.json.decode(examples.read(CALLS[path]))
    plain = bench.post(path, json=body).json()
    assert "derivation" not in plain
    assert bench.post(f"{path}?derivation=false", json=body).json() == plain
    explained = bench.post(f"{path}?derivation=true", json=body).json()
    assert explained.pop("derivation")
    assert explained == plain


@pytest.mark.parametrize("path", CALLS)
def test_lengths_come_in_the_unit_the_settings_ask_for(bench: Client, path: str) -> None:
    body = msgspec.json.decode(examples.read(CALLS[path])) | {"settings": {"units": "in"}}
    assert set(_units(bench.post(path, json=body).json())) == {"in"}


def _units(node: Any) -> list[str]:  # noqa: ANN401 - any JSON value
    """The unit of every length in an answer."""
    if isinstance(node, list):
        return [unit for part in node for unit in _units(part)]
    if not isinstance(node, dict):
        return []
    own = [node["unit"]] if node.keys() <= {"value", "unit", "plus_minus"} and "value" in node else []
    return own + [unit for part in node.values() for unit in _units(part)]


def test_a_reading_in_inches_is_judged_as_its_millimetres(bench: Client) -> None:
    # 1 in = 25.4 mm exactly (Refinement of Values for the Yard and the Pound, 1959).
    def judged(value: float, unit: str, plus_minus: float) -> object:
        reading = {"value": value, "unit": unit, "plus_minus": plus_minus}
        return bench.post(
            "/v1/thread-verdicts", json={"evidence": [{"kind": "shell_width", "reading": reading}]}
        ).json()

    assert judged(2.7, "in", 0.05) == judged(2.7 * 25.4, "mm", 0.05 * 25.4)


def test_http_adds_nothing_to_the_core(bench: Client) -> None:
    body = examples.read("clear_shell")
    answer = bench.post("/v1/thread-verdicts", content=body, headers={"content-type": "application/json"}).content
    assert answer == msgspec.json.encode(
        judge(examples.typed("clear_shell", VerdictRequest), ShopSettings(), Trace(wanted=False))
    )


def test_the_reference_gives_every_family_in_either_unit(bench: Client) -> None:
    families = {family["id"]: family for family in bench.get("/v1/reference/threads").json()["families"]}
    assert len(families) == 22
    # 1.370 in x 24 tpi, ISO 6696:1989; 1.370 in = 34.798 mm.
    assert families["iso_english"]["diameters"] == [{"value": 34.798, "unit": "mm"}]
    assert families["iso_english"]["pitch"] == {"value": 24.0, "unit": "tpi"}
    assert families["iso_english"]["drive_hand"] == "left"
    assert all(family["source"] for family in families.values())
    inches = bench.get("/v1/reference/threads?units=in").json()["families"][0]
    assert inches["diameters"] == [{"value": 1.37, "unit": "in"}]
    assert bench.get("/v1/reference/threads?units=cm").json()["errors"][0]["parameter"] == "units"
