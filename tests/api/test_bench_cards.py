"""The bench card over HTTP: one page, in the reader's language, that runs nothing and shows others' words as text."""

from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient
from lxml import html

from cotterline.api import examples
from cotterline.api.edge import Edge
from tests.shops import Shop

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
HOSTILE = "</style><script>alert(1)</script><img src=x onerror=alert(1)>{{ 7*7 }}{reference}\"'&"


def card_of(client: Client, job: dict[str, Any] = JOB, query: Mapping[str, str] | None = None) -> Any:  # noqa: ANN401 - a parsed page
    """Make a quote and read its card as a page."""
    return html.fromstring(client.get(made(client, job), params=query).text)


def made(client: Client, job: dict[str, Any] = JOB) -> str:
    """Make a quote; return the address of its card."""
    return str(client.post("/v1/quotes", json=job).headers["location"]) + "/bench-card"


def test_a_card_says_the_verdict_of_its_quote(client: Client) -> None:
    page = card_of(client)
    assert page.findtext(".//h1") == "hook 7"
    assert page.find_class("word")[0].text == "FIT TO ORDER"
    assert page.find_class("designation")[0].text == "1.370 in x 24 tpi"
    # A left-hand thread unscrews clockwise: a fact of the trade, common practice, no source.
    told = [[" ".join(cell.text_content().split()) for cell in row] for row in page.find_class("cups")[0]]
    assert told == [
        ["Drive side (right)", "left-hand thread", "unscrews CLOCKWISE"],
        ["Non-drive side (left)", "right-hand thread", "unscrews ANTICLOCKWISE"],
    ]
    assert page.find_class("first")[0].find("th").text == "113 mm"


def test_a_job_that_is_not_settled_says_do_not_order_and_what_to_measure(client: Client) -> None:
    page = card_of(client, JOB | {"evidence": [{"kind": "old_crank", "crank": "cottered"}]})
    assert page.find_class("word")[0].text == "DO NOT ORDER"
    assert page.find_class("stop")
    assert page.find_class("measure")[0].find_class("box")
    assert "FIT TO ORDER" not in page.text_content()


@pytest.mark.parametrize(
    ("query", "lang", "length"),
    [
        ({}, "en", "113 mm"),
        ({"language": "de-AT"}, "de", "113 mm"),
        ({"units": "in"}, "en", "4.449 in"),
        ({"language": "de", "units": "in"}, "de", "4,449 in"),
        ({"language": "fr"}, "en", "113 mm"),
    ],
)
def test_a_card_is_told_as_it_is_asked_for(client: Client, query: dict[str, str], lang: str, length: str) -> None:
    page = card_of(client, JOB, query)
    assert page.get("lang") == lang
    assert page.find_class("first")[0].find("th").text == length


def test_a_card_is_told_as_the_shop_is_set_unless_asked_otherwise(client: Client) -> None:
    now = client.get("/v1/settings").headers["etag"]
    set_up = {"locale": "de-CH", "calculation": {"units": "in"}}
    assert client.put("/v1/settings", json=set_up, headers={"If-Match": now}).status_code == 200
    page = card_of(client)
    assert page.get("lang") == "de"
    assert page.find_class("first")[0].find("th").text == "4.449 in", "a Swiss decimal point"


@pytest.mark.parametrize(
    ("query", "size"),
    [
        ({}, "A4"),
        ({"language": "en-US"}, "letter"),
        ({"language": "en-US", "paper": "a4"}, "A4"),
        ({"paper": "letter"}, "letter"),
    ],
)
def test_a_card_names_its_paper(client: Client, query: dict[str, str], size: str) -> None:
    assert f"size: {size} portrait" in str(card_of(client, JOB, query).findtext(".//style"))


@pytest.mark.parametrize("query", [{"paper": "a5"}, {"units": "ft"}, {"language": "de_AT"}, {"language": "x" * 40}])
def test_a_card_that_cannot_be_had_so_is_refused(client: Client, query: dict[str, str]) -> None:
    refused = client.get(made(client), params=query)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["parameter"] == next(iter(query))


def test_a_card_allows_nothing_but_its_own_style(client: Client) -> None:
    answer = client.get(made(client))
    style = html.fromstring(answer.text).findtext(".//style")
    digest = b64encode(sha256(str(style).encode()).digest()).decode()
    assert answer.headers["content-type"].startswith("text/html")
    assert answer.headers["cache-control"] == "private, no-cache"
    policy = dict(part.split(" ", 1) for part in answer.headers["content-security-policy"].split("; "))
    assert policy["default-src"] == policy["base-uri"] == policy["form-action"] == "'none'"
    assert policy["style-src"] == f"'sha256-{digest}'"
    assert "script" not in answer.text
    assert "style=" not in answer.text


def test_a_card_is_not_sent_again_while_it_is_the_same(client: Client) -> None:
    place = made(client)
    first = client.get(place)
    again = client.get(place, headers={"If-None-Match": first.headers["etag"]})
    other = client.get(place, params={"language": "de"}, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert other.status_code == 200
    assert other.headers["etag"] != first.headers["etag"]


def test_what_others_wrote_is_shown_as_text_and_runs_nowhere(client: Client) -> None:
    kept = client.get("/v1/labour-book")
    book = kept.json()
    first = next(iter(book["operations"].values()))
    first["name"], first["tools"] = HOSTILE, [HOSTILE]
    for contingency in book["contingencies"].values():
        if contingency["ask"]:
            contingency["question"] = HOSTILE
    put = client.put("/v1/labour-book", json=book, headers={"If-Match": kept.headers["etag"]})
    assert put.status_code == 200, put.text
    stamp = {"kind": "stamp", "side": "drive", "text": "<b>{side}</b>"}
    for query in ({"language": "en"}, {"language": "de"}):
        job = JOB | {"reference": HOSTILE[:50], "evidence": [*JOB["evidence"], stamp]}
        page = card_of(client, job, query)
        assert page.findtext(".//h1") == HOSTILE[:50]
        assert page.find_class("what")[0].text == HOSTILE
        assert HOSTILE in page.find_class("ask")[0].text_content()
        assert "<b>{side}</b>" in page.find_class("facts")[0].text_content()
        assert {element.tag for element in page.iter()} & {"script", "img", "iframe", "object", "form"} == set()


def test_another_shops_quote_has_no_card(client: Client, shop_b: Shop) -> None:
    place = made(client)
    assert client.get(place, headers=shop_b.headers).status_code == 404
