"""Drawings over HTTP: of the revision that holds, in the reader's language, with what was measured since."""

from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree as ET

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.documents.drawings.of_quote import DRAWINGS
from tests.api.fitting import ordered, reported

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
NO_SPINDLE = {name: JOB[name] for name in JOB if name not in {"spindle", "drivetrain"}}


def quoted(client: Client, job: Mapping[str, Any] = JOB) -> str:
    """Make a quote; return its address."""
    made = client.post("/v1/quotes", json=job)
    assert made.status_code == 201, made.text
    return str(made.headers["location"])


def drawing(client: Client, quote: str, name: str, **query: str) -> httpx.Response:
    return client.get(f"{quote}/drawings/{name}", params=query)


def parts(answer: httpx.Response) -> set[str]:
    """What is drawn."""
    assert answer.status_code == 200, answer.text
    return {element.get("data-part", "") for element in ET.fromstring(answer.content).iter()}  # noqa: S314 - of our own


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_drawing_of_a_whole_job_is_a_picture_that_may_load_and_run_nothing(client: Client, name: str) -> None:
    answer = drawing(client, quoted(client), name)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].partition(";")[0] == "image/svg+xml"
    assert answer.headers["cache-control"] == "private, no-cache"
    assert answer.headers["x-content-type-options"] == "nosniff"
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; ")
    assert "sandbox" in policy
    assert ET.fromstring(answer.content).tag == "{http://www.w3.org/2000/svg}svg"  # noqa: S314 - of our own


def test_a_drawing_is_told_in_the_language_and_unit_that_is_asked_for(client: Client) -> None:
    quote = quoted(client)
    assert "Spindle" not in drawing(client, quote, "cross-section", language="de").text
    assert ">Welle 113 mm<" in drawing(client, quote, "cross-section", language="de").text
    assert ">spindle 4.449 in<" in drawing(client, quote, "cross-section", units="in").text


@pytest.mark.parametrize("query", [{"units": "ft"}, {"language": "de_AT"}, {"paper": "a4"}])
def test_a_drawing_that_cannot_be_had_so_is_refused(client: Client, query: dict[str, str]) -> None:
    refused = drawing(client, quoted(client), "verdict", **query)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["parameter"] == next(iter(query))


def test_a_drawing_is_not_sent_again_while_it_is_the_same(client: Client) -> None:
    place = f"{quoted(client)}/drawings/cost"
    first = client.get(place)
    again = client.get(place, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert client.get(place, params={"language": "de"}).headers["etag"] != first.headers["etag"]


def test_the_newest_fit_report_shows_in_the_section(client: Client) -> None:
    quote = f"/v1/quotes/{ordered(client)}"
    before = drawing(client, quote, "cross-section")
    assert "found-line" not in parts(before)
    reported(client, quote.rpartition("/")[2], 43.4, spindle_length_mm=113)
    assert ">measured on 113 mm: 43.4 ± 0.2 mm<" in drawing(client, quote, "cross-section").text
    reported(client, quote.rpartition("/")[2], 42.6, spindle_length_mm=113)
    after = drawing(client, quote, "cross-section")
    assert ">measured on 113 mm: 42.6 ± 0.2 mm<" in after.text
    assert "43.4" not in after.text
    assert after.headers["etag"] != before.headers["etag"]


@pytest.mark.parametrize(
    ("name", "why"), [("cross-section", "names no spindle"), ("gear-map", "its request names no drivetrain")]
)
def test_what_a_quote_does_not_hold_is_said_and_not_drawn(client: Client, name: str, why: str) -> None:
    quote = quoted(client, NO_SPINDLE)
    missing = drawing(client, quote, name)
    assert (missing.status_code, missing.json()["type"]) == (404, "/problems/not-found")
    assert why in missing.json()["detail"]
    assert drawing(client, quote, "verdict").status_code == 200


def test_a_drawing_there_is_none_of_is_answered_with_those_there_are(client: Client) -> None:
    missing = drawing(client, quoted(client), "portrait")
    assert missing.status_code == 404
    assert all(name in missing.json()["detail"] for name in DRAWINGS)


def test_words_of_the_shop_cannot_become_part_of_a_drawing(client: Client) -> None:
    job = JOB | {"reference": "</title><script>alert(1)</script>"[:50]}
    for name in DRAWINGS:
        assert "script" not in drawing(client, quoted(client, job), name).text


def test_a_section_shows_no_other_quotes_fit_report(client: Client) -> None:
    fitted = ordered(client)
    reported(client, fitted, 42.6, spindle_length_mm=113)
    assert "found-line" in parts(drawing(client, f"/v1/quotes/{fitted}", "cross-section"))
    assert "found-line" not in parts(drawing(client, quoted(client), "cross-section"))
