"""Re-checks are planned by reports that pass, moved and cancelled by people, and ended by the report of the visit."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.api import ordering
from tests.api.fitting import change_settings, ordered, reported
from tests.shops import Shop

Client = TestClient[Edge]
PASSED, MISSED = 42.2, 44.6
NONE_YET = {"If-None-Match": "*"}


def path(quote_id: str) -> str:
    return f"/v1/quotes/{quote_id}/recheck-visit"


def days(visit: dict[str, Any]) -> float:
    """How far ahead of its planning a visit is due."""
    apart = datetime.fromisoformat(visit["due_at"]) - datetime.fromisoformat(visit["created_at"])
    return apart / timedelta(days=1)


def planned(client: Client) -> str:
    """Fit a job that passes; gives its quote."""
    quote_id = ordered(client)
    assert reported(client, quote_id, PASSED)["outcome"] == "passed"
    return quote_id


def test_a_fitting_that_passes_plans_a_re_check_after_the_first_rides(client: Client) -> None:
    quote_id = planned(client)
    visit = client.get(path(quote_id)).json()
    assert (visit["state"], visit["version"], days(visit)) == ("scheduled", 1, 14)
    assert client.get("/v1/recheck-visits").json() == {"visits": [visit]}


@pytest.mark.parametrize(
    ("usual", "own", "expected"), [(30, None, 30), (0, None, None), (30, 3, 3), (30, 0, None), (0, 7, 7)]
)
def test_a_reports_own_days_go_before_the_shops(
    client: Client, usual: int, own: int | None, expected: int | None
) -> None:
    change_settings(client, recheck_after_days=usual)
    quote_id = ordered(client)
    reported(client, quote_id, PASSED, **({} if own is None else {"recheck_in_days": own}))
    found = client.get(path(quote_id))
    assert (days(found.json()) if found.status_code == 200 else None) == expected


def test_a_job_that_missed_is_not_ridden_and_so_not_looked_at_again(client: Client) -> None:
    quote_id = ordered(client)
    reported(client, quote_id, MISSED, recheck_in_days=5)
    assert client.get(path(quote_id)).status_code == 404


@pytest.mark.parametrize("at", [PASSED, MISSED])
def test_the_report_of_the_visit_ends_it_whatever_came_of_it(client: Client, at: float) -> None:
    quote_id = planned(client)
    reported(client, quote_id, at, visit="recheck")
    visit = client.get(path(quote_id)).json()
    assert (visit["state"], visit["version"]) == ("done", 2)


def test_a_re_check_that_asks_for_another_has_it(client: Client) -> None:
    quote_id = planned(client)
    reported(client, quote_id, PASSED, visit="recheck", recheck_in_days=60)
    visit = client.get(path(quote_id)).json()
    assert (visit["state"], round(days(visit))) == ("scheduled", 60)


def test_a_fitting_that_wants_none_cancels_the_one_there_is(client: Client) -> None:
    quote_id = planned(client)
    reported(client, quote_id, PASSED, recheck_in_days=0)
    assert client.get(path(quote_id)).status_code == 404
    (visit,) = client.get("/v1/recheck-visits", params={"state": "cancelled"}).json()["visits"]
    assert visit["quote_id"] == quote_id


def test_a_closed_quote_keeps_its_visit(client: Client) -> None:
    quote_id = planned(client)
    before = client.get(path(quote_id)).json()
    assert ordering.act(client, quote_id, "close").status_code == 200
    assert client.get(path(quote_id)).json() == before


def test_a_visit_is_moved_by_who_saw_its_version(client: Client) -> None:
    quote_id = planned(client)
    tag = client.get(path(quote_id)).headers["etag"]
    due = {"due_at": "2024-03-01T10:00:00+01:00"}
    far = client.put(path(quote_id), json={"due_at": "2999-03-01T10:00:00Z"}, headers={"If-Match": tag})
    assert (far.status_code, far.json()["errors"][0]["pointer"]) == (422, "/due_at")
    soon = {"due_at": (datetime.now(UTC) + timedelta(days=3)).isoformat()}
    moved = client.put(path(quote_id), json=soon, headers={"If-Match": tag})
    assert moved.status_code == 200, moved.text
    assert (moved.json()["version"], round(days(moved.json()))) == (2, 3)
    for headers, status in (({"If-Match": tag}, 412), (NONE_YET, 412), ({}, 428)):
        assert client.put(path(quote_id), json=due, headers=headers).status_code == status
    assert client.get(path(quote_id)).json() == moved.json()
    seen = client.get(path(quote_id), headers={"If-None-Match": moved.headers["etag"]})
    assert seen.status_code == 304


def test_a_visit_may_be_planned_by_hand_for_what_was_ordered_and_nothing_else(client: Client) -> None:
    due = {"due_at": datetime.now(UTC).isoformat()}
    draft = ordering.a_quote(client)
    refused = client.put(path(draft), json=due, headers=NONE_YET)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/wrong-state")
    assert client.put(path(draft), json=due, headers={"If-Match": "*"}).status_code == 404
    quote_id = ordered(client)
    made = client.put(path(quote_id), json=due, headers=NONE_YET)
    assert (made.status_code, made.json()["state"], made.json()["version"]) == (200, "scheduled", 1)


def test_a_visit_that_was_cancelled_is_gone_and_can_be_planned_anew(client: Client) -> None:
    quote_id = planned(client)
    tag = client.get(path(quote_id)).headers["etag"]
    assert client.delete(path(quote_id)).status_code == 428
    assert client.delete(path(quote_id), headers={"If-Match": '"9-scheduled"'}).status_code == 412
    assert client.delete(path(quote_id), headers={"If-Match": tag}).status_code == 204
    assert client.get(path(quote_id)).status_code == 404
    assert client.delete(path(quote_id), headers={"If-Match": "*"}).status_code == 404
    due = {"due_at": datetime.now(UTC).isoformat()}
    made = client.put(path(quote_id), json=due, headers=NONE_YET)
    assert (made.status_code, made.json()["version"], made.json()["state"]) == (200, 3, "scheduled")


def test_a_visit_that_was_done_is_not_cancelled(client: Client) -> None:
    quote_id = planned(client)
    reported(client, quote_id, PASSED, visit="recheck")
    refused = client.delete(path(quote_id), headers={"If-Match": "*"})
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/wrong-state")
    assert client.get(path(quote_id)).json()["state"] == "done"


def test_every_change_of_a_visit_is_in_the_audit_trail(client: Client) -> None:
    quote_id = planned(client)
    reported(client, quote_id, PASSED, visit="recheck")
    entries = client.get("/v1/audit", params={"subject_id": quote_id}).json()["entries"]
    found = [entry["action"] for entry in entries if entry["subject_kind"] == "recheck_visit"]
    assert found == ["recheck_visit.done", "recheck_visit.scheduled"]


def test_the_list_is_paged_and_filtered(client: Client) -> None:
    made = [planned(client) for _ in range(3)]
    reported(client, made[0], PASSED, visit="recheck")
    found, address = [], "/v1/recheck-visits?limit=1&state=scheduled"
    while address:
        answer = client.get(address)
        found += [visit["quote_id"] for visit in answer.json()["visits"]]
        address = answer.links.get("next", {}).get("url", "")
    assert found == [made[2], made[1]]


def test_a_visit_is_nobody_elses(client: Client, shop_b: Shop) -> None:
    quote_id = planned(client)
    due = {"due_at": datetime.now(UTC).isoformat()}
    theirs = {**shop_b.headers, "If-Match": "*"}
    for answer in (
        client.get(path(quote_id), headers=shop_b.headers),
        client.put(path(quote_id), json=due, headers=theirs),
        client.put(path(quote_id), json=due, headers={**shop_b.headers, **NONE_YET}),
        client.delete(path(quote_id), headers=theirs),
        client.get(path(str(uuid4()))),
    ):
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-found")
    assert client.get("/v1/recheck-visits", headers=shop_b.headers).json() == {"visits": []}
    assert client.get(path(quote_id)).json()["version"] == 1
