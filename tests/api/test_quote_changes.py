"""Quotes change over HTTP by the table of their life and by merge patches; what is refused changes nothing."""

from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.bench.quote_life import QuoteState
from tests.api.agreed import agreed
from tests.bench.test_quote_life import ACTIONS, ALLOWED

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
UNSURE = {"evidence": [JOB["evidence"][0]]}
COTTERS_30_MM_APART = {"spindle": {"crank": {"distance": {"value": 30}}}}
MERGE = {"Content-Type": "application/merge-patch+json"}


class Quoted:
    """One quote over HTTP, always named by its last ETag."""

    def __init__(self, client: Client, job: dict[str, Any] = JOB) -> None:
        self.client = client
        made = client.post("/v1/quotes", json=job)
        self.path, self.tag = made.headers["location"], made.headers["etag"]
        self.body: dict[str, Any] = made.json()

    def act(self, action: str, **more: object) -> int:
        """Do something with it; gives the status."""
        return self._sent("POST", "/transitions", {"action": action, **agreed(action), **more}, {})

    def patch(self, **members: object) -> int:
        """Patch it; gives the status."""
        return self._sent("PATCH", "", members, MERGE)

    def _sent(self, method: str, path: str, body: object, headers: dict[str, str]) -> int:
        content = msgspec.json.encode(body)
        headers = {"Content-Type": "application/json", "If-Match": self.tag} | headers
        answer = self.client.request(method, self.path + path, content=content, headers=headers)
        self.body = answer.json()
        self.tag = answer.headers.get("etag", self.tag)
        return answer.status_code

    def read(self) -> dict[str, Any]:
        """Read it again."""
        found: dict[str, Any] = self.client.get(self.path).json()
        return found


WAYS: dict[QuoteState, list[str]] = {
    "draft": [],
    "issued": ["issue"],
    "approved": ["issue", "approve"],
    "declined": ["issue", "decline"],
    "expired": ["issue", "expire"],
    "ordered": ["issue", "approve", "order"],
    "closed": ["close"],
}
"""How a quote comes to each state."""


@pytest.mark.parametrize("state", WAYS)
def test_every_act_in_every_state_does_what_the_table_says(client: Client, state: QuoteState) -> None:
    for action in ACTIONS:
        quote = Quoted(client)
        assert [quote.act(step) for step in WAYS[state]] == [200] * len(WAYS[state])
        if action in ALLOWED[state]:
            assert quote.act(action) == 200
            assert quote.body == quote.read()
            assert quote.body["state"] == ALLOWED[state][action]
            assert set(quote.body["actions"]) == set(ALLOWED[ALLOWED[state][action]])
        else:
            before = quote.read()
            assert quote.act(action) == 409
            assert quote.body["type"] == "/problems/wrong-state"
            assert quote.read() == before


def test_the_table_the_service_gives_is_the_one_it_keeps_to(bench: Client) -> None:
    table = bench.get("/v1/reference/quote-life").json()
    given: dict[str, dict[str, str]] = {state: {} for state in table["states"]}
    for act in table["acts"]:
        for state in act["from_states"]:
            given[state][act["action"]] = act.get("to_state", state)
    assert given == ALLOWED


def test_the_same_act_twice_is_refused_the_second_time(client: Client) -> None:
    quote = Quoted(client)
    assert [quote.act("issue"), quote.act("issue")] == [200, 409]
    assert "approve" in quote.body["detail"]


def test_an_issued_quote_says_until_when_it_holds(client: Client) -> None:
    quote = Quoted(client)
    assert quote.act("issue", valid_days=7) == 200
    left = datetime.fromisoformat(quote.body["expires_at"]) - datetime.now(UTC)
    assert timedelta(days=6, hours=23) < left <= timedelta(days=7)
    assert quote.act("approve") == 200
    assert "expires_at" not in quote.body


def test_days_are_only_for_an_issue(client: Client) -> None:
    quote = Quoted(client)
    assert quote.act("close", valid_days=7) == 422
    assert quote.body["errors"][0]["pointer"] == "/valid_days"


def test_an_order_needs_a_result_that_allows_it(client: Client) -> None:
    quote = Quoted(client, UNSURE)
    assert [quote.act("issue"), quote.act("approve"), quote.act("order")] == [200, 200, 409]
    assert quote.body["type"] == "/problems/order-not-allowed"
    assert quote.read()["state"] == "approved"


def test_what_was_done_is_told_with_key_time_and_note(client: Client) -> None:
    quote = Quoted(client)
    quote.act("issue", note="sent by letter")
    quote.act("decline")
    first, second = client.get(f"{quote.path}/transitions").json()["transitions"]
    assert (first["action"], first["from_state"], first["to_state"]) == ("issue", "draft", "issued")
    assert first["note"] == "sent by letter"
    assert first["revision"] == 1
    assert first["at"] <= second["at"]
    assert first["by"] == second["by"]
    assert "note" not in second


def test_a_patch_tells_what_is_absent_from_what_is_null(client: Client) -> None:
    quote = Quoted(client, JOB | {"metadata": {"stand": "3", "colour": "green"}})
    assert quote.patch(metadata={"colour": None, "hook": "7"}) == 200
    assert quote.body["metadata"] == {"stand": "3", "hook": "7"}
    assert quote.body["reference"] == JOB["reference"]
    assert quote.patch(reference=None) == 200
    assert "reference" not in quote.body
    assert quote.body["metadata"] == {"stand": "3", "hook": "7"}
    assert quote.patch(metadata=None) == 200
    assert quote.body["metadata"] == {}
    assert quote.patch(reference="hook 9") == 200
    assert quote.read() == quote.body
    assert quote.body["revision"] == 1


def test_a_patch_without_effect_leaves_the_version(client: Client) -> None:
    quote = Quoted(client)
    tag = quote.tag
    assert [quote.patch(), quote.patch(reference=JOB["reference"]), quote.patch(metadata={"a": None})] == [200] * 3
    assert quote.tag == tag


def test_other_measurements_make_another_revision_and_a_draft(client: Client) -> None:
    quote = Quoted(client)
    first = quote.read()
    quote.act("issue")
    quote.act("approve")
    assert quote.patch(request={"spindle": {"crank": {"distance": {"value": 115}}}}) == 200
    assert (quote.body["state"], quote.body["revision"]) == ("draft", 2)
    assert quote.body["request"]["spindle"]["crank"]["distance"]["value"] == 115
    assert quote.body["request"]["evidence"] == first["request"]["evidence"]
    assert quote.body["result"]["spindle"]["first"] != first["result"]["spindle"]["first"]
    revisions = client.get(f"{quote.path}/revisions").json()["revisions"]
    assert [revision["number"] for revision in revisions] == [1, 2]
    for number, whole in ((1, first), (2, quote.body)):
        kept = client.get(f"{quote.path}/revisions/{number}").json()
        assert (kept["request"], kept["result"]) == (whole["request"], whole["result"])


def test_a_revision_reads_byte_for_byte_as_it_was_answered(client: Client) -> None:
    made = client.post("/v1/quotes?derivation=true", json=JOB)
    quote = Quoted(client)
    quote.path, quote.tag = made.headers["location"], made.headers["etag"]
    quote.act("revise")
    kept = client.get(f"{quote.path}/revisions/1?derivation=true").content
    assert made.content[made.content.index(b'"request":') :] == kept[kept.index(b'"request":') :]
    assert b'"derivation"' in kept
    assert b'"derivation"' not in client.get(f"{quote.path}/revisions/1").content


def test_null_takes_a_part_out_of_the_request(client: Client) -> None:
    quote = Quoted(client)
    assert quote.patch(request={"drivetrain": None}) == 200
    assert "drivetrain" not in quote.body["request"]
    assert "drivetrain" not in quote.body["result"]


@pytest.mark.parametrize(
    ("request_patch", "code", "pointer"),
    [
        ({"evidence": None}, "patch-outcome", "/request/evidence"),
        ({"evidence": []}, "patch-outcome", "/request/evidence"),
        ({"spindle": {"crank": {"known_by": "smell"}}}, "patch-outcome", "/request/spindle/crank/known_by"),
        (COTTERS_30_MM_APART, "impossible-value", "/request/spindle/crank/distance/value"),
        ({"colour": "red"}, "patch-outcome", "/request/colour"),
        ({"reference": "x"}, "impossible-value", "/request/reference"),
    ],
)  # fmt: skip
def test_a_patch_to_what_cannot_be_is_refused_by_its_place(
    client: Client, request_patch: dict[str, Any], code: str, pointer: str
) -> None:
    quote = Quoted(client)
    before = quote.read()
    assert quote.patch(request=request_patch) == 422
    assert quote.body["type"] == f"/problems/{code}"
    assert [error["pointer"] for error in quote.body["errors"]] == [pointer]
    assert quote.read() == before


def test_more_than_twenty_pairs_are_too_many_also_one_after_the_other(client: Client) -> None:
    quote = Quoted(client)
    assert quote.patch(metadata={f"a{number}": "" for number in range(15)}) == 200
    assert quote.patch(metadata={f"b{number}": "" for number in range(6)}) == 422
    assert quote.body["errors"] == [{"pointer": "/metadata", "detail": "would have 21 pairs, more than 20"}]


BAD: dict[str, dict[str, Any]] = {
    "a pair that is no text": {"metadata": {"a": 1}},
    "a name with a space": {"metadata": {"a b": "c"}},
    "a name that is nothing": {"metadata": {"": "c"}},
    "a value too long": {"metadata": {"a": "x" * 501}},
    "an empty reference": {"reference": ""},
    "a state": {"state": "approved"},
    "no request": {"request": None},
}


@pytest.mark.parametrize("name", BAD)
def test_a_patch_that_does_not_fit_is_refused(client: Client, name: str) -> None:
    quote = Quoted(client)
    before = quote.read()
    assert quote.patch(**BAD[name]) == 422
    assert quote.body["type"] == "/problems/invalid-body"
    assert quote.read() == before


def test_a_patch_nested_without_end_is_refused(client: Client) -> None:
    quote = Quoted(client)
    for depth in (300, 900, 990, 5000):
        body = b'{"request":' + b'{"a":' * depth + b"1" + b"}" * depth + b"}"
        answer = client.patch(quote.path, content=body, headers=MERGE | {"If-Match": quote.tag})
        assert answer.status_code in {400, 422}


def test_a_patch_in_another_form_is_told_the_right_one(client: Client) -> None:
    quote = Quoted(client)
    answer = client.patch(quote.path, json={}, headers={"If-Match": quote.tag})
    assert (answer.status_code, answer.headers["accept-patch"]) == (415, "application/merge-patch+json")


def test_a_closed_quote_takes_no_other_measurements_but_another_reference(client: Client) -> None:
    quote = Quoted(client)
    quote.act("close")
    assert quote.patch(request={"drivetrain": None}) == 409
    assert quote.patch(reference="archive 12") == 200
    assert quote.body["state"] == "closed"
