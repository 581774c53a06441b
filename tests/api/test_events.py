"""Events are read in order of position, by whoever asks on behind the last one, as the bytes that were posted."""

from typing import Any

import httpx
import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.api.told_events import EVENT_KINDS, AnyEvent
from cotterline.bench.events import EVENT_TYPES
from tests.api.test_quote_changes import Quoted
from tests.shops import Shop

Client = TestClient[Edge]
SMALL = {"evidence": [msgspec.json.decode(examples.read("whole_job"))["evidence"][0]]}


def quoted(client: Client, *acts: str) -> Quoted:
    made = Quoted(client, SMALL)
    for act in acts:
        assert made.act(act) == 200, made.body
    return made


def positions(answer: httpx.Response) -> list[int]:
    assert answer.status_code == 200, answer.text
    return [event["position"] for event in answer.json()["events"]]


def test_a_shop_to_which_nothing_happened_has_no_events(client: Client) -> None:
    assert client.get("/v1/events").json() == {"events": [], "next_after": 0, "first_position": 1, "last_position": 0}
    assert client.get("/v1/events/1").status_code == 404


def test_asking_on_behind_the_last_one_gives_everything_once(client: Client) -> None:
    quoted(client, "issue", "decline", "revise", "close")
    seen: list[int] = []
    after = 0
    for _ in range(4):
        answer = client.get("/v1/events", params={"after": after, "limit": 2})
        seen += positions(answer)
        after = answer.json()["next_after"]
    assert seen == [1, 2, 3, 4, 5]
    assert (after, client.get("/v1/events").json()["last_position"]) == (5, 5)


def test_the_link_leads_to_the_next_page_while_there_may_be_one(client: Client) -> None:
    quoted(client, "issue", "decline")
    first = client.get("/v1/events", params={"limit": 2, "type": "quote.issued"})
    assert "link" not in first.headers
    page = client.get("/v1/events", params={"limit": 2})
    assert page.headers["link"] == '</v1/events?after=2&limit=2>; rel="next"'
    rest = client.get(page.links["next"]["url"])
    assert positions(rest) == [3]
    assert "link" not in rest.headers


def test_events_of_one_type_skip_the_others_and_know_how_far_they_looked(client: Client) -> None:
    quoted(client, "issue", "decline")
    quoted(client, "issue", "decline")
    answer = client.get("/v1/events", params={"type": "quote.issued"})
    assert positions(answer) == [2, 5]
    assert answer.json()["next_after"] == 6
    limited = client.get("/v1/events", params={"type": "quote.issued", "limit": 1})
    assert (positions(limited), limited.json()["next_after"]) == ([2], 2)
    assert limited.headers["link"] == '</v1/events?after=2&limit=1&type=quote.issued>; rel="next"'


def test_one_event_reads_as_it_does_in_the_list(client: Client) -> None:
    quoted(client, "issue")
    for event in client.get("/v1/events").json()["events"]:
        assert client.get(f"/v1/events/{event['position']}").json() == event


def test_asking_behind_the_last_one_that_there_will_ever_be_gives_nothing(client: Client) -> None:
    quoted(client)
    most = 10**15 - 1
    assert client.get("/v1/events", params={"after": most}).json()["next_after"] == most
    assert client.get("/v1/events", params={"after": most + 1}).status_code == 422
    assert client.get(f"/v1/events/{most}").status_code == 404


@pytest.mark.parametrize("query", [{"type": "quote.made"}, {"after": "-1"}, {"after": "x"}, {"limit": "0"}])
def test_a_question_that_makes_no_sense_is_refused(bench: Client, query: dict[str, Any]) -> None:
    assert bench.get("/v1/events", params=query).status_code == 422


def test_another_shop_and_the_other_mode_have_events_of_their_own(
    client: Client, shop_b: Shop, shop_a_test: Shop
) -> None:
    quoted(client, "issue")
    for other in (shop_b, shop_a_test):
        assert client.get("/v1/events", headers=other.headers).json()["events"] == []
        assert client.get("/v1/events/1", headers=other.headers).status_code == 404


def test_every_type_of_event_has_a_type_of_its_own_that_its_bytes_fit(client: Client) -> None:
    assert [*EVENT_KINDS] == [*EVENT_TYPES]
    quoted(client, "issue", "close")
    for event in client.get("/v1/events").json()["events"]:
        read = msgspec.json.decode(msgspec.json.encode(event), type=AnyEvent)
        assert type(read) is EVENT_KINDS[event["type"]]
