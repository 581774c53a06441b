"""Everything that happens to a quote is an event, written with it, with all there is to tell of the quote."""

from typing import Any

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.api.test_quote_changes import UNSURE, Quoted

Client = TestClient[Edge]


def told(client: Client) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get("/v1/events").json()["events"]
    return found


def last(client: Client) -> dict[str, Any]:
    return told(client)[-1]


@pytest.mark.parametrize(
    ("acts", "types"),
    [
        (["issue", "approve", "extend", "order", "close"], ["issued", "approved", "extended", "ordered", "closed"]),
        (["issue", "decline", "revise"], ["issued", "declined", "revised"]),
        (["issue", "expire"], ["issued", "expired"]),
    ],
)
def test_each_act_is_an_event_of_its_own(client: Client, acts: list[str], types: list[str]) -> None:
    quoted = Quoted(client)
    for act in acts:
        assert quoted.act(act) == 200, quoted.body
    found = told(client)
    assert [event["type"] for event in found] == [f"quote.{each}" for each in ["created", *types]]
    assert [event["position"] for event in found] == [*range(1, len(found) + 1)]
    assert [event["sequence"] for event in found] == [*range(1, len(found) + 1)]
    assert {event["data"]["id"] for event in found} == {quoted.body["id"]}
    assert found[-1]["data"]["state"] == quoted.body["state"]


def test_a_patch_is_a_change_or_a_revision(client: Client) -> None:
    quoted = Quoted(client)
    quoted.patch(reference="stand 3")
    assert last(client)["data"]["reference"] == "stand 3"
    quoted.patch(reference="stand 3")
    quoted.patch(request=UNSURE)
    assert [event["type"] for event in told(client)] == ["quote.created", "quote.changed", "quote.revised"]
    assert last(client)["data"]["revision"] == 2


def test_an_event_tells_what_was_agreed_to_for_as_long_as_it_holds(client: Client) -> None:
    quoted = Quoted(client)
    quoted.act("issue")
    assert "approval" not in last(client)["data"]
    quoted.act("approve")
    approval = last(client)["data"]["approval"]
    (agreed,) = client.get(f"{quoted.path}/approvals").json()["approvals"]
    assert approval.items() <= agreed.items()
    quoted.act("decline")
    assert "approval" not in last(client)["data"]


def test_an_event_tells_what_the_list_of_quotes_tells(client: Client) -> None:
    quoted = Quoted(client)
    quoted.act("issue")
    (listed,) = client.get("/v1/quotes").json()["quotes"]
    data = last(client)["data"]
    assert listed.items() <= data.items()
    assert data.keys() - listed.keys() == {"version", "path"}
    assert client.get(data["path"]).json()["id"] == listed["id"]


def test_what_was_refused_is_no_event(client: Client) -> None:
    quoted = Quoted(client)
    assert quoted.act("approve") == 409
    quoted.tag = '"9-draft"'
    assert quoted.act("issue") == 412
    assert [event["type"] for event in told(client)] == ["quote.created"]
