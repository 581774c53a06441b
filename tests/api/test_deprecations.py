"""What will go is said by every answer that has to do with it, by the API document and on a page, and by no other."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import httpx
import msgspec
import pytest
from litestar.testing import TestClient
from schemathesis.specs.openapi.definitions import OPENAPI_31_VALIDATOR

from cotterline.api.deprecations import LEAST, Deprecation
from cotterline.api.edge import Edge
from cotterline.main import equipped, handlers, openapi_document
from tests.api.conftest import name_request, settings
from tests.api.resources import a_quote
from tests.api.test_problem_types import Page
from tests.sqlite import Files

Client = TestClient[Edge]

SINCE: Final = datetime(2023, 6, 30, 23, 59, 59, tzinfo=UTC)
UNTIL: Final = datetime(2024, 6, 30, 23, 59, 59, tzinfo=UTC)
SAID: Final = {"deprecation": "@1688169599", "sunset": "Sun, 30 Jun 2024 23:59:59 GMT"}
"""Those moments as RFC 9745 (March 2025), section 4, writes them in its example."""

LATER: Final = datetime(2030, 5, 1, tzinfo=UTC)

ROWS: Final = (
    Deprecation(operation="listOrders", parameter="quote_id", since=LATER, instead="Read the quote's orders."),
    Deprecation(operation="readLabourBook", parameter="If-None-Match", since=SINCE, until=UNTIL, instead="Send none."),
    Deprecation(member="KeyRequest.label", since=LATER, until=LATER + LEAST, instead="Leave it out."),
    Deprecation(operation="listQuotes", since=SINCE, until=UNTIL, instead="Read <the> events."),
)
"""What will go in a service of these tests."""

QUIET: Final[dict[str, str]] = {}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    """Give the API document of a service of which something will go."""
    made: dict[str, Any] = msgspec.json.decode(openapi_document(ROWS))
    return made


@pytest.fixture(scope="module")
def client(sqlite_files: Files) -> Iterator[Client]:
    """Serve everything, something of which will go; calls carry a key."""
    url = sqlite_files.create()
    service = equipped(handlers(1024 * 1024, ROWS), settings(url))
    with TestClient(service, raise_server_exceptions=False) as client:
        client.headers.update(sqlite_files.shops.a.headers)
        client.event_hooks = {"request": [name_request]}
        yield client
    sqlite_files.drop(url)


def said(answer: httpx.Response) -> dict[str, str]:
    """What an answer says of anything that will go."""
    return {name: answer.headers[name] for name in ("deprecation", "sunset") if name in answer.headers}


def leads_to(answer: httpx.Response) -> dict[str, str]:
    """Where its links lead, by relation."""
    return {relation: link["url"] for relation, link in answer.links.items() if relation}


def test_an_operation_that_will_go_says_when_in_every_answer(client: Client) -> None:
    for method in ("GET", "HEAD"):
        answer = client.request(method, "/v1/quotes")
        assert (answer.status_code, said(answer)) == (200, SAID)
        assert leads_to(answer) == {"deprecation": "/deprecations", "sunset": "/deprecations"}


def test_its_links_stand_beside_that_to_the_next_page(client: Client) -> None:
    for _ in range(2):
        a_quote(client)
    answer = client.get("/v1/quotes", params={"limit": 1})
    found = leads_to(answer)
    assert len(answer.headers.get_list("link")) == 1
    assert found.keys() == {"next", "deprecation", "sunset"}
    assert client.get(found["next"]).status_code == 200


@pytest.mark.parametrize(
    ("status", "query", "headers"),
    [
        (401, "", {"authorization": "Bearer nobody"}),
        (422, "?limit=ten", QUIET),
        (422, "?page=2", QUIET),
        (422, "?cursor=page2", QUIET),
        (400, "?reference=%ff", QUIET),
    ],
)
def test_a_refusal_by_the_same_operation_says_it_too(
    client: Client, status: int, query: str, headers: dict[str, str]
) -> None:
    answer = client.get(f"/v1/quotes{query}", headers=headers)
    assert (answer.status_code, said(answer)) == (status, SAID)
    assert answer.headers["content-type"] == "application/problem+json"
    assert leads_to(answer).keys() == {"deprecation", "sunset"}


def test_a_failure_says_it_too(sqlite_files: Files) -> None:
    url = sqlite_files.create()
    service = equipped(handlers(1024, ROWS), settings(url))
    with TestClient(service, raise_server_exceptions=False) as client:
        del service.app.state.database
        answer = client.get("/v1/quotes", headers=sqlite_files.shops.a.headers)
    sqlite_files.drop(url)
    assert (answer.status_code, said(answer)) == (500, SAID)


def test_other_operations_say_nothing(client: Client) -> None:
    quote = a_quote(client)
    asked = [
        client.get(f"/v1/quotes/{quote}"),
        client.post("/v1/quotes", json={"evidence": []}),
        client.get("/v1/orders"),
        client.get("/v1/labour-book"),
        client.get("/v1/keys"),
        client.request("OPTIONS", "/v1/quotes"),
        client.delete("/v1/quotes"),
        client.get("/v1/nothing"),
        client.get("/openapi.json"),
        client.get("/v1/quotes?" + "a" * 9000),
    ]
    assert {answer.status_code // 100 for answer in asked} == {2, 4}
    assert [(answer.request.url.path, said(answer)) for answer in asked if said(answer)] == []
    assert [answer for answer in asked if "deprecation" in leads_to(answer)] == []


def test_a_parameter_that_will_go_is_spoken_of_where_it_is_sent(client: Client) -> None:
    answer = client.get("/v1/orders", params={"quote_id": a_quote(client)})
    assert (answer.status_code, said(answer)) == (200, {"deprecation": f"@{int(LATER.timestamp())}"})
    assert leads_to(answer).keys() == {"deprecation"}
    refused = client.get("/v1/orders?quote_id=seven")
    assert (refused.status_code, set(said(refused))) == (422, {"deprecation"})
    tag = client.get("/v1/labour-book").headers["etag"]
    again = client.get("/v1/labour-book", headers={"if-none-match": tag})
    assert (again.status_code, said(again)) == (304, SAID)


def test_a_member_that_will_go_is_spoken_of_by_every_operation_that_takes_it(client: Client) -> None:
    label = {"deprecation": f"@{int(LATER.timestamp())}", "sunset": "Thu, 01 May 2031 00:00:00 GMT"}
    made = client.post("/v1/keys", json={"label": "bench two", "scopes": ["read"]})
    assert (made.status_code, said(made)) == (201, label)
    refused = client.post("/v1/keys", content=b"{", headers={"content-type": "application/json"})
    assert (refused.status_code, said(refused)) == (400, label)


def test_of_several_the_first_to_begin_and_the_first_to_go_are_named(sqlite_files: Files) -> None:
    rows = (
        Deprecation(operation="listQuotes", since=LATER, until=LATER + LEAST, instead="Read the events."),
        Deprecation(operation="listQuotes", parameter="limit", since=SINCE, until=LATER + 2 * LEAST, instead="Wait."),
    )
    url = sqlite_files.create()
    with TestClient(equipped(handlers(1024, rows), settings(url))) as client:
        answer = client.get("/v1/quotes?limit=5", headers=sqlite_files.shops.a.headers)
    sqlite_files.drop(url)
    assert said(answer) == {"deprecation": SAID["deprecation"], "sunset": "Thu, 01 May 2031 00:00:00 GMT"}


def test_the_log_names_what_was_still_used(client: Client, logged: list[Any]) -> None:
    client.get("/v1/quotes?limit=1")
    client.get("/v1/orders")
    lines = [line for line in logged if line["event"] == "request"]
    assert [line.get("deprecated") for line in lines] == ["listQuotes", None]


def test_the_document_marks_exactly_what_will_go(document: dict[str, Any]) -> None:
    OPENAPI_31_VALIDATOR.validate(document)
    assert dict(_marked(document, ())) == {
        ("paths", "/v1/quotes", "get"): ROWS[3].words,
        ("paths", "/v1/orders", "get", "parameters", "quote_id"): ROWS[0].words,
        ("paths", "/v1/labour-book", "get", "parameters", "If-None-Match"): ROWS[1].words,
        ("components", "schemas", "KeyRequest", "properties", "label"): ROWS[2].words,
    }


def _marked(node: Any, place: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:  # noqa: ANN401 - any JSON
    """Where something is marked, with the end of its description."""
    if isinstance(node, dict):
        if node.get("deprecated") is True:
            yield place, "Deprecated" + node["description"].partition("Deprecated")[2]
        for name, part in node.items():
            yield from _marked(part, (*place, name))
    elif isinstance(node, list):
        for index, part in enumerate(node):
            name = part["name"] if isinstance(part, dict) and "name" in part else str(index)
            yield from _marked(part, (*place, name))


HEADERS: Final = {"Deprecation", "Sunset"}
CONCERNED: Final = {
    "listOrders": {"Deprecation"},
    "listQuotes": HEADERS,
    "readLabourBook": HEADERS,
    "issueKey": HEADERS,
}


def test_the_document_declares_the_headers_where_they_can_occur_and_nowhere_else(document: dict[str, Any]) -> None:
    declared = {
        (operation["operationId"], status): HEADERS & answer.get("headers", {}).keys()
        for item in document["paths"].values()
        for operation in item.values()
        for status, answer in operation["responses"].items()
    }
    unrouted = {"414", "431"}
    can = {key: CONCERNED[key[0]] for key in declared if key[0] in CONCERNED and key[1] not in unrouted}
    assert {key: names for key, names in declared.items() if names} == can
    for item in document["components"]["responses"].values():
        assert not HEADERS & item["headers"].keys()
    listed = document["paths"]["/v1/quotes"]["get"]["responses"]
    assert listed["401"]["headers"].keys() >= {"WWW-Authenticate", "Link", "Deprecation", "Sunset"}
    assert listed["200"]["headers"]["Link"] == {"$ref": "#/components/headers/Link"}


def test_a_document_of_which_nothing_will_go_says_nothing_of_it() -> None:
    document = msgspec.json.decode(openapi_document(()))
    assert not HEADERS & document["components"]["headers"].keys()
    assert list(_marked(document, ())) == []


def test_the_page_its_links_lead_to_says_what_to_do_instead(client: Client) -> None:
    address = leads_to(client.get("/v1/quotes"))["deprecation"]
    page = Page(client.get(address).text)
    assert page.texts("dt") == ["listQuotes", "readLabourBook?If-None-Match", "KeyRequest.label", "listOrders?quote_id"]
    assert page.texts("dd")[0] == "Deprecated since 2023-06-30 and goes on 2024-06-30. Read <the> events."
    assert page.texts("dd")[3] == "Deprecated since 2030-05-01. Read the quote's orders."
    told = client.get(address, headers={"accept": "application/json"}).json()
    assert told["least_days"] == 365
    assert told["deprecated"][0] == {
        "operation": "listQuotes",
        "since": "2023-06-30T23:59:59Z",
        "until": "2024-06-30T23:59:59Z",
        "instead": "Read <the> events.",
    }


def test_the_served_document_is_that_of_the_table(client: Client) -> None:
    assert client.get("/openapi.json").content == openapi_document(ROWS)


@pytest.mark.parametrize(
    "named",
    [
        {},
        {"parameter": "limit"},
        {"operation": "listQuotes", "member": "KeyRequest.label"},
        {"parameter": "limit", "member": "KeyRequest.label"},
    ],
)
def test_a_row_names_one_thing(named: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="names an operation"):
        Deprecation(**named, since=SINCE, instead="Wait.")


def test_nothing_goes_sooner_than_was_promised() -> None:
    Deprecation(operation="listQuotes", since=SINCE, until=SINCE + LEAST, instead="Wait.")
    with pytest.raises(ValueError, match="listQuotes would go within 365 days"):
        Deprecation(operation="listQuotes", since=SINCE, until=SINCE + LEAST - timedelta(seconds=1), instead="Wait.")


@pytest.mark.parametrize(
    "named",
    [
        {"operation": "listNothing"},
        {"operation": "listQuotes", "parameter": "page"},
        {"member": "Nothing.label"},
        {"member": "KeyRequest.colour"},
    ],
)
def test_a_row_that_names_what_is_not_there_makes_no_document(named: dict[str, Any]) -> None:
    with pytest.raises(LookupError, match="is not in the API document"):
        openapi_document((Deprecation(**named, since=SINCE, instead="Wait."),))
