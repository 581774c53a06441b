"""Every problem type has a page that helps, for people and for programs, and its example is what the service says."""

import re
from base64 import b64encode
from collections.abc import Callable
from hashlib import sha256
from html.parser import HTMLParser
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.api.problem_types import TYPES
from cotterline.api.problem_words import WORDS
from cotterline.api.problems import PROBLEMS, Problem
from tests.api.agreed import agreed

Client = TestClient[Edge]
ADDRESSES = ["/deprecations", "/problems", *(f"/problems/{code}" for code in PROBLEMS)]
VOID = {"meta", "link"}
A_QUOTE = "/v1/quotes/01900000-0000-7000-8000-000000000000"


class Page(HTMLParser):
    """An HTML page: its elements in their order, each with its attributes and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None], list[str]]] = []
        self._open: list[int] = []
        self.feed(text)
        self.close()
        assert self._open == [], "every element is closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        if tag not in VOID:
            self._open.append(len(self.elements))
        self.elements.append((tag, dict(attrs), []))

    def handle_endtag(self, tag: str) -> None:
        """Hold that it is the element opened last which ends."""
        assert self.elements[self._open.pop()][0] == tag

    def handle_data(self, data: str) -> None:
        """Give the text to every element it stands in."""
        for index in self._open:
            self.elements[index][2].append(data)

    def texts(self, tag: str) -> list[str]:
        """What stands in every element of this kind."""
        return ["".join(text) for name, _, text in self.elements if name == tag]

    def values(self, attribute: str) -> list[str | None]:
        """Every value of an attribute."""
        return [attributes[attribute] for _, attributes, _ in self.elements if attribute in attributes]


def _as_sent(problem: Problem) -> Any:  # noqa: ANN401 - any JSON value
    return msgspec.json.decode(msgspec.json.encode(problem))


def test_every_problem_type_has_words_and_no_words_are_left_over() -> None:
    assert set(WORDS) == set(PROBLEMS)


@pytest.mark.parametrize("code", PROBLEMS)
def test_the_type_of_every_problem_leads_to_a_page_about_it(bench: Client, code: str) -> None:
    answer = bench.get(f"/problems/{code}")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8")
    page = Page(answer.text)
    kind = TYPES[code]
    assert page.texts("h1") == [PROBLEMS[code].title]
    assert page.texts("dd") == [f"/problems/{code}", str(PROBLEMS[code].status)]
    assert page.texts("h2") == ["What happened", "What to do", "Example"]
    assert page.texts("p") == [kind.happened, PROBLEMS[code].advice]
    (shown,) = page.texts("pre")
    example = msgspec.json.decode(shown)
    assert example == _as_sent(kind.example)
    assert (example["type"], example["status"]) == (f"/problems/{code}", PROBLEMS[code].status)


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_can_be_read_by_everyone(bench: Client, address: str) -> None:
    """Language, title, one main heading, landmarks, and a name for what scrolls (WCAG 2.2, 1.3.1, 2.4.2, 3.1.1)."""
    page = Page(bench.get(address).text)
    tags = [tag for tag, _, _ in page.elements]
    assert [attributes.get("lang") for tag, attributes, _ in page.elements if tag == "html"] == ["en"]
    assert [tags.count(tag) for tag in ("title", "main", "h1")] == [1, 1, 1]
    assert all(text.strip() for text in [*page.texts("title"), *page.texts("a"), *page.texts("h1")])
    named = page.values("aria-labelledby")
    assert set(named) <= set(page.values("id"))
    assert len(named) == tags.count("pre") == page.values("tabindex").count("0")


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_needs_nothing_from_elsewhere(bench: Client, address: str) -> None:
    answer = bench.get(address)
    page = Page(answer.text)
    links = [str(link) for link in page.values("href")]
    for link in links:
        assert link == "data:," or bench.get(bench.base_url.join(address).join(link)).status_code == 200, link
    assert page.values("src") == []
    assert not re.search(r"//|@import|url\(|<script", answer.text)
    (style,) = page.texts("style")
    policy = dict(rule.strip().split(" ", 1) for rule in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["style-src"] == f"'sha256-{b64encode(sha256(style.encode()).digest()).decode()}'"


def test_the_list_leads_to_every_type(bench: Client) -> None:
    answer = bench.get("/problems")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8")
    page = Page(answer.text)
    assert page.values("href") == ["data:,", *(f"problems/{code}" for code in PROBLEMS)]
    assert page.texts("a") == [kind.title for kind in PROBLEMS.values()]


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("*/*", "text/html; charset=utf-8"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "text/html; charset=utf-8"),
        ("application/json", "application/json"),
        ("application/json, text/html;q=0.5", "application/json"),
        ("application/json;q=0.5, text/html", "text/html; charset=utf-8"),
        ("application/*", "application/json"),
        ("image/png", "text/html; charset=utf-8"),
        ("", "text/html; charset=utf-8"),
        (";q=x,,/;;q", "text/html; charset=utf-8"),
    ],
)
@pytest.mark.parametrize("address", ["/problems", "/problems/not-found"])
def test_a_page_comes_in_the_form_that_is_preferred(bench: Client, address: str, accept: str, kind: str) -> None:
    answer = bench.get(address, headers={"accept": accept})
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
    assert answer.headers["vary"] == "Accept"
    again = bench.get(address, headers={"accept": accept, "if-none-match": answer.headers["etag"]})
    assert again.status_code == 304


def test_both_forms_say_the_same_and_have_tags_of_their_own(bench: Client) -> None:
    page = bench.get("/problems/bad-cursor")
    data = bench.get("/problems/bad-cursor", headers={"accept": "application/json"})
    assert page.headers["etag"] != data.headers["etag"]
    assert data.json()["title"] in page.text
    listed = bench.get("/problems", headers={"accept": "application/json"}).json()["types"]
    assert [kind["code"] for kind in listed] == [*PROBLEMS]
    assert data.json() in listed


def test_there_is_no_page_about_what_is_no_problem(bench: Client) -> None:
    assert bench.get("/problems/<script>").status_code == 404


def _asked(path: str, *evidence: dict[str, Any], **others: Any) -> Callable[[Client], Any]:  # noqa: ANN401 - a response
    return lambda client: client.post(path, json={"evidence": [*evidence], **others})


UNKNOWN_CRANK = {
    "shell": {"family": "iso_english", "width": 68},
    "question": {
        "target": {"aim": "nominal", "kind": "road_double"},
        "crank": {"known_by": "unknown"},
    },
}


def _quote(client: Client) -> str:
    """Keep a quote, and return its address."""
    body = examples.read("whole_job")
    made = client.post("/v1/quotes", content=body, headers={"content-type": "application/json"})
    return f"/v1/quotes/{made.json()['id']}"


def _patched(patch: dict[str, Any], tag: str | None) -> Callable[[Client], Any]:
    """A patch of a new quote; ``tag`` names its version, the present one where it is empty, none where it is None."""

    def send(client: Client) -> Any:  # noqa: ANN401 - a response
        address = _quote(client)
        named = {} if tag is None else {"if-match": tag or client.get(address).headers["etag"]}
        headers = {"content-type": "application/merge-patch+json", **named}
        return client.patch(address, json=patch, headers=headers)

    return send


def _approved_unissued(client: Client) -> Any:  # noqa: ANN401 - a response
    address = _quote(client)
    tag = client.get(address).headers["etag"]
    body = {"action": "approve", **agreed("approve")}
    return client.post(f"{address}/transitions", json=body, headers={"if-match": tag})


def _named_twice(client: Client) -> Any:  # noqa: ANN401 - a response
    def send(width: int) -> Any:  # noqa: ANN401 - a response
        evidence = [{"kind": "shell_width", "reading": {"value": width}}]
        return client.post("/v1/quotes", json={"evidence": evidence}, headers={"idempotency-key": "once"})

    send(67)
    return send(68)


PROVOKED: dict[str, Callable[[Client], Any]] = {
    "malformed-request": lambda client: client.post(
        "/v1/quotes", content=b"{", headers={"content-type": "application/json"}
    ),
    "unauthenticated": lambda client: client.get("/v1/quotes", headers={"authorization": "Bearer x"}),
    "not-found": lambda client: client.get(A_QUOTE),
    "method-not-allowed": lambda client: client.delete("/v1/quotes"),
    "request-too-large": lambda client: client.post(
        "/v1/thread-verdicts", content=b" " * 2_000_000, headers={"content-type": "application/json"}
    ),
    "target-too-long": lambda client: client.get("/v1/quotes?" + "a" * 9000),
    "unsupported-media-type": lambda client: client.post("/v1/thread-verdicts", content=b"{}"),
    "invalid-body": _asked(
        "/v1/thread-verdicts",
        {"kind": "pitch_gauge", "side": "drive", "leaf": "24", "leaf_unit": "tpi"},
        {"kind": "shell_width"},
        colour="red",
    ),
    "invalid-parameter": lambda client: client.get("/v1/quotes?limit=ten&page=2"),
    "bad-cursor": lambda client: client.get("/v1/quotes?cursor=page2"),
    "impossible-value": _asked("/v1/thread-verdicts", {"kind": "shell_width", "reading": {"value": 68, "unit": "in"}}),
    "evidence-conflict": _asked(
        "/v1/thread-verdicts",
        {"kind": "old_crank", "crank": "cottered"},
        {"kind": "old_crank", "crank": "splined"},
    ),
    "measurement-missing": lambda client: client.post("/v1/spindle-options", json=UNKNOWN_CRANK),
    "wrong-state": _approved_unissued,
    "precondition-required": _patched({"metadata": {"rack": "4"}}, None),
    "precondition-failed": _patched({"metadata": {"rack": "4"}}, '"another"'),
    "patch-outcome": _patched({"request": {"evidence": None}}, ""),
    "idempotency-key-reused": _named_twice,
    "header-too-large": lambda client: client.get("/v1/quotes", headers={"x-long": "a" * 40_000}),
}
"""A request that meets each problem a client alone can provoke, as its example shows it."""


@pytest.mark.parametrize("code", PROVOKED)
def test_the_example_of_a_problem_is_what_the_service_answers(client: Client, code: str) -> None:
    answer = PROVOKED[code](client).json()
    shown = _as_sent(TYPES[code].example)
    assert answer.pop("instance").startswith("urn:uuid:")
    assert shown.pop("instance").startswith("urn:uuid:")
    assert answer == shown
