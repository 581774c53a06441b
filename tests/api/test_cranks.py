"""What was learned of cranks, over HTTP: from a fit report to the next quote, and to nobody else's."""

from typing import Any

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.api import ordering
from tests.api.fitting import ordered, reported
from tests.api.test_order_replies import reply, substitute
from tests.shops import Shop

Client = TestClient[Edge]
PATH = "/v1/cranks/learning"
STEEL = "Five-pin steel"
UNTRIED = {"known_by": "cotter_distance", "model": STEEL, "taper": "jis", "distance": {"value": 113}}
OLD = {"aim": "old", "measurement": {"method": "measured_chain_line", "chain_line": {"value": 42}}}


def asked(**crank: Any) -> dict[str, Any]:  # noqa: ANN401 - any member of a crank
    """A request for a spindle under a crank of which nothing was measured."""
    return {
        "question": {"target": {"aim": "nominal", "kind": "track"}, "crank": {"known_by": "unknown"} | crank},
        "shell": {"family": "iso_english", "width": 68},
    }


def fitted(client: Client, *at: float, **crank: object) -> None:
    """Order for a job with a steel crank, and report where its rings stand on 113 mm, once for each chain line."""
    spindle = ordering.SURE["spindle"]
    job = {**ordering.SURE, "spindle": {**spindle, "crank": {**spindle["crank"], "model": STEEL, **crank}}}
    quote_id = ordered(client, job)
    for each in at:
        reported(client, quote_id, each)


def quoted(client: Client, crank: object = UNTRIED, **headers: str) -> dict[str, Any]:
    """The spindle of a new quote for that crank, with the old chain line as the target."""
    job = {**ordering.JOB, "spindle": {"target": OLD, "crank": crank}}
    made = client.post("/v1/quotes", json=job, headers=headers)
    assert made.status_code == 201, made.text
    found: dict[str, Any] = made.json()["result"]["spindle"]
    return found


def cranks(client: Client, **headers: str) -> list[dict[str, Any]]:
    """What is told of the shop's cranks."""
    found: list[dict[str, Any]] = client.get(PATH, headers=headers).json()["cranks"]
    return found


def test_a_shop_that_reported_nothing_learned_nothing(client: Client) -> None:
    assert cranks(client) == []
    assert "learned" not in quoted(client)


def test_the_quote_after_a_fit_report_is_narrower_and_says_why(client: Client) -> None:
    before = quoted(client)
    fitted(client, 43.6)
    after = quoted(client)
    spread = [each["first"]["chain_line"]["plus_minus"] for each in (before, after)]
    assert spread[1] < spread[0] / 2
    assert after["first"]["spindle_length"]["value"] < before["first"]["spindle_length"]["value"]
    told = after["learned"]
    assert (told["plus_minus_without"]["value"], told["plus_minus"]["value"]) == pytest.approx(tuple(spread), abs=2e-3)
    assert told["narrower_by"]["value"] == pytest.approx(spread[0] - spread[1], abs=2e-3)
    (report,) = told["evidence"]["reports"]
    assert report["offset"]["value"] == pytest.approx(43.6 - 113 / 2, abs=0.001)
    assert report["weight"] > 0.95
    cautions = [{caution["code"] for caution in each["cautions"]} for each in (before, after)]
    assert ["crank-untried" in codes for codes in cautions] == [True, False]


def test_a_crank_that_was_fitted_is_told_with_every_report_and_how_far_it_is_believed(client: Client) -> None:
    fitted(client, 43.6, 43.4, 55.0)
    (told,) = cranks(client)
    assert (told["crank"], told["rings"], told["taper"], told["report_count"]) == (STEEL, 1, "jis", 3)
    weights = [each["weight"] for each in told["reports"]]
    assert min(weights[:2]) > 0.9
    assert weights[2] < 0.05
    assert told["offset"]["value"] == pytest.approx(-13, abs=0.2)


def test_a_crank_that_was_fitted_needs_no_measurement_again(client: Client) -> None:
    refused = client.post("/v1/spindle-options", json=asked(model=STEEL))
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/question/crank")
    fitted(client, 43.6)
    answer = client.post("/v1/spindle-options", json=asked(model=STEEL))
    assert answer.status_code == 200
    assert answer.json()["baseline"]["what"] == "fit reports"
    assert answer.json()["learned"]["request_share"] == 0


def test_a_crank_is_known_to_nobody_but_the_shop_that_fitted_it(
    client: Client, shop_b: Shop, shop_a_test: Shop
) -> None:
    fitted(client, 43.6)
    for other in (shop_b, shop_a_test):
        assert cranks(client, **other.headers) == []
        assert "learned" not in quoted(client, **other.headers)


def test_a_trade_item_number_of_a_crank_is_checked(client: Client) -> None:
    refused = client.post("/v1/spindle-options", json=asked(gtin="4006381333932"))
    assert [fault["pointer"] for fault in refused.json()["errors"]] == ["/question/crank/gtin"]


def test_a_substitute_for_a_crank_known_by_reports_is_judged_by_where_it_puts_the_rings(client: Client) -> None:
    fitted(client, *[42.0] * 6)
    job = {**ordering.SURE, "spindle": {**ordering.SURE["spindle"], "crank": {"known_by": "unknown", "model": STEEL}}}
    (order,) = ordering.placed(client, ordering.approved(client, job), {})
    sent = {"Content-Type": "application/json"}
    client.post(f"/v1/orders/{order['id']}/replies", content=reply(substitute()), headers=sent)
    (decision,) = client.get(f"/v1/orders/{order['id']}").json()["decisions"]
    assert (decision["taken"], decision["by"]) == (True, "rule")
