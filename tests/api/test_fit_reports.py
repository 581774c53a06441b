"""Fit reports are judged by what was ordered, kept byte for byte with all that follows, and told to who subscribed."""

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import pytest
from litestar.testing import TestClient

from cotterline.api import fit_report_taking
from cotterline.api.edge import Edge
from tests.api import ordering
from tests.api.agreed import agreed
from tests.api.fitting import ordered, post, report, reported
from tests.shops import Shop

Client = TestClient[Edge]


def events(client: Client, type_: str = "fit_report.made") -> list[dict[str, Any]]:
    found = client.get("/v1/events").json()["events"]
    return [event for event in found if event["type"] == type_]


def nothing_kept(client: Client, quote_id: str) -> bool:
    kept = client.get(f"/v1/quotes/{quote_id}/fit-reports").json()["reports"]
    times = client.get("/v1/labour-times").json()["times"]
    return (kept, times, events(client)) == ([], [], [])


def test_a_job_that_lands_passes_and_is_read_again_byte_for_byte(client: Client) -> None:
    quote_id = ordered(client)
    made = post(client, quote_id, report(42.6, shifting="good"))
    assert made.status_code == 201, made.text
    body = made.json()
    assert (body["outcome"], body["result"]["outcome"], body["visit"]) == ("passed", "passed", "fitting")
    assert body["result"]["spindle_length"] == {"value": 113, "unit": "mm"}
    assert "derivation" not in body["result"]
    again = client.get(made.headers["location"])
    assert (again.content, again.headers["etag"]) == (made.content, made.headers["etag"])
    seen = client.get(made.headers["location"], headers={"If-None-Match": made.headers["etag"]})
    assert seen.status_code == 304
    steps = client.get(made.headers["location"], params={"derivation": "true"}).json()["result"]["derivation"]
    assert steps


def test_every_report_of_a_quote_is_listed_the_first_one_first(client: Client) -> None:
    quote_id = ordered(client)
    made = [reported(client, quote_id, at) for at in (44.6, 42.3)]
    listed = client.get(f"/v1/quotes/{quote_id}/fit-reports").json()["reports"]
    assert [each["id"] for each in listed] == [each["id"] for each in made]
    assert [each["outcome"] for each in listed] == ["missed", "passed"]
    assert listed[0] == {name: part for name, part in made[0].items() if name != "request"}


def test_a_job_that_misses_is_told_what_to_do(client: Client) -> None:
    result = reported(client, ordered(client), 44.6)["result"]
    assert result["outcome"] == "missed"
    assert result["next_spindle"]["option"]["spindle_length"]["value"] < 113
    assert not result["next_spindle"]["at_hand"]


def test_one_report_under_one_key(client: Client) -> None:
    quote_id = ordered(client)
    body = report(42.3, minutes=[{"operation": "fixed_cup", "minutes": 12}])
    first, again = (post(client, quote_id, body, **{"Idempotency-Key": '"a"'}) for _ in range(2))
    assert (first.status_code, again.status_code, again.content) == (201, 201, first.content)
    assert again.headers["idempotency-replayed"] == "true"
    assert len(client.get(f"/v1/quotes/{quote_id}/fit-reports").json()["reports"]) == 1
    assert len(client.get("/v1/labour-times").json()["times"]) == 1
    assert len(events(client)) == 1


def test_the_event_tells_the_whole_report(client: Client) -> None:
    made = reported(client, ordered(client), 42.3)
    (event,) = events(client)
    assert event["data"] == made
    assert event["sequence"] == 1


def test_minutes_become_times_of_the_quote(client: Client) -> None:
    quote_id = ordered(client)
    minutes = [{"operation": "fixed_cup", "minutes": 12}, {"operation": "fixed_cup", "minutes": 15.5}]
    reported(client, quote_id, 42.3, minutes=minutes)
    times = client.get("/v1/labour-times").json()["times"]
    assert sorted(each["minutes"] for each in times) == [12, 15.5]
    assert {each["quote_id"] for each in times} == {quote_id}
    for time in times:
        (entry,) = client.get("/v1/audit", params={"subject_id": time["id"]}).json()["entries"]
        assert entry["action"] == "labour_time.recorded"


def test_the_audit_trail_says_who_reported(client: Client) -> None:
    made = reported(client, ordered(client), 42.3)
    (entry,) = client.get("/v1/audit", params={"subject_id": made["id"]}).json()["entries"]
    assert (entry["action"], entry["actor"], entry["detail"]["outcome"]) == ("fit_report.made", made["by"], "passed")


def test_every_fault_of_a_report_is_named_at_once_and_nothing_is_kept(client: Client) -> None:
    quote_id = ordered(client)
    body = report(
        42.3,
        minutes=[{"operation": "fixed_cup", "minutes": 12}, {"operation": "tightrope", "minutes": 3}],
        run_out=[{"position": 1, "wobble": {"value": 0.1}}, {"position": 1, "wobble": {"value": 0.2}}],
    )
    refused = post(client, quote_id, body)
    pointers = [fault["pointer"] for fault in refused.json()["errors"]]
    assert (refused.status_code, sorted(pointers)) == (422, ["/minutes/1/operation", "/run_out/1/position"])
    assert nothing_kept(client, quote_id)


def test_readings_that_contradict_each_other_come_back_with_both_pointers(client: Client) -> None:
    quote_id = ordered(client)
    refused = post(client, quote_id, report(42.0, 46.0))
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/evidence-conflict")
    assert [fault["pointer"] for fault in refused.json()["errors"]] == ["/chain_lines/0", "/chain_lines/1"]
    assert nothing_kept(client, quote_id)


@pytest.mark.parametrize("acts", [[], ["issue"], ["issue", "approve"], ["issue", "decline"], ["close"]])
def test_what_was_never_ordered_is_not_reported_on(client: Client, acts: list[str]) -> None:
    quote_id = ordering.a_quote(client)
    for action in acts:
        more = agreed("approve", "400") if action == "approve" else {}
        assert ordering.act(client, quote_id, action, **more).status_code == 200
    refused = post(client, quote_id, report(42.3, spindle_length_mm=113))
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/wrong-state")
    assert "order its parts" in refused.json()["detail"]
    assert nothing_kept(client, quote_id)


def test_a_job_that_was_closed_after_it_was_ordered_is_reported_on(client: Client) -> None:
    quote_id = ordered(client)
    assert ordering.act(client, quote_id, "close").status_code == 200
    assert reported(client, quote_id, 42.3)["outcome"] == "passed"


def test_of_two_lengths_that_may_have_been_fitted_the_report_must_say_which(client: Client) -> None:
    """The other one came from the shop's own shelf, so that no order names it."""
    quote_id = ordered(client, ordering.JOB, from_stock=[2])
    refused = post(client, quote_id, report(42.3))
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/measurement-missing")
    (fault,) = refused.json()["errors"]
    assert fault["pointer"] == "/spindle_length_mm"
    assert "110 mm and 113 mm" in fault["detail"]
    made = reported(client, quote_id, 43.9, spindle_length_mm=113)
    assert made["result"]["next_spindle"]["at_hand"]


def test_a_length_that_was_given_up_or_sent_back_is_not_at_hand(client: Client) -> None:
    quote_id = ordered(client)
    (order,) = client.get("/v1/orders", params={"quote_id": quote_id}).json()["orders"]
    body = {"changes": [{"line": 1, "change": "return"}]}
    assert client.post(f"/v1/orders/{order['id']}/changes", json=body).status_code == 201
    refused = post(client, quote_id, report(42.3))
    assert refused.json()["errors"][0]["detail"].endswith("ordered were: none")


def test_a_substitute_that_was_taken_is_what_was_fitted(client: Client) -> None:
    quote_id = ordered(client)
    (order,) = client.get("/v1/orders", params={"quote_id": quote_id}).json()["orders"]
    document = client.get(f"/v1/orders/{order['id']}").json()["document"]
    stated = [
        part | ({"value": 112, "lowest": 112, "highest": 112} if part["name"] == "spindle_length" else {})
        for part in document["lines"][0]["properties"]
    ]
    said = {
        "at": datetime.now(UTC).isoformat(),
        "says": [{"says": "substituted", "lines": [1], "code": "N", "name": "Unit 112", "properties": stated}],
    }
    heard = client.post(f"/v1/orders/{order['id']}/replies", json=said)
    assert heard.status_code in {200, 201, 202}, heard.text
    stands = client.get(f"/v1/orders/{order['id']}").json()["standing"]["lines"][0]
    assert "substitute" in stands, stands
    assert reported(client, quote_id, 42.0)["result"]["spindle_length"]["value"] == 112


def test_a_report_is_nobody_elses(client: Client, shop_b: Shop) -> None:
    quote_id = ordered(client)
    made = reported(client, quote_id, 42.3)
    for answer in (
        post(client, quote_id, report(42.3), **shop_b.headers),
        client.get(f"/v1/quotes/{quote_id}/fit-reports", headers=shop_b.headers),
        client.get(f"/v1/fit-reports/{made['id']}", headers=shop_b.headers),
        client.get(f"/v1/fit-reports/{uuid4()}"),
    ):
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-found")
    assert len(client.get(f"/v1/quotes/{quote_id}/fit-reports").json()["reports"]) == 1


def test_a_failure_in_the_middle_leaves_nothing(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    quote_id = ordered(client)

    async def fail(*_: object) -> None:
        raise RuntimeError("broken on purpose")

    body = report(42.3, minutes=[{"operation": "fixed_cup", "minutes": 12}])
    with monkeypatch.context() as patched:
        patched.setattr(fit_report_taking, "tell", fail)
        failed = post(client, quote_id, body, **{"Idempotency-Key": '"a"'})
    assert failed.status_code == 500
    assert nothing_kept(client, quote_id)
    assert post(client, quote_id, body, **{"Idempotency-Key": '"a"'}).status_code == 201


def test_what_a_crank_taught_is_used_for_the_next_job_and_told(client: Client) -> None:
    """A crank known by its trade item number alone; what was fitted says more of it than its drawing."""
    job = {**ordering.SURE, "spindle": {**ordering.SURE["spindle"]}}
    job["spindle"]["crank"] = {**job["spindle"]["crank"], "model": "Blue", "gtin": "96385074"}
    quote_id = ordered(client, job)
    reported(client, quote_id, 42.6)
    (learned,) = client.get("/v1/cranks/learning").json()["cranks"]
    assert learned["crank"] == "Blue"
