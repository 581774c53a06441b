"""What a shop sets is used by every calculation that brings nothing else, and can be looked up long afterwards."""

from datetime import datetime, timedelta
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.bench.shop_profile import DEFAULT
from tests.shops import Shop

Client = TestClient[Edge]
JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
BY_DEFAULT: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(DEFAULT))
PAIR = {
    "known_by": "reference_pair",
    "spindle_length": {"value": 113},
    "chain_line": {"method": "measured_chain_line", "chain_line": {"value": 43}},
}


def put(client: Client, **members: object) -> dict[str, Any]:
    """Set these and everything else to its default."""
    answer = client.put("/v1/settings", json=members, headers={"If-Match": "*"})
    assert answer.status_code == 200, answer.json()
    found: dict[str, Any] = answer.json()
    return found


def patch(client: Client, **members: object) -> Any:  # noqa: ANN401 - httpx's response
    """Change these."""
    headers = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    return client.patch("/v1/settings", content=msgspec.json.encode(members), headers=headers)


def test_a_shop_that_set_nothing_reads_the_defaults(client: Client) -> None:
    answer = client.get("/v1/settings")
    assert answer.json() == BY_DEFAULT
    assert answer.headers["content-location"] == "/v1/settings/versions/0"


def test_what_is_put_is_read_and_what_is_left_out_is_as_by_default(client: Client) -> None:
    put(client, currency="GBP", tax={"prices": "added", "rates": [{"name": "full", "percent": "20"}]})
    found = put(client, locale="en-GB")
    assert found == client.get("/v1/settings").json() == BY_DEFAULT | {"locale": "en-GB"}


def test_a_patch_changes_what_it_names_and_null_goes_back_to_the_default(client: Client) -> None:
    put(client, currency="GBP", calculation={"units": "in", "angle_limit_degrees": 2})
    found = patch(client, calculation={"units": None}, locale="en-GB").json()
    assert (found["currency"], found["locale"]) == ("GBP", "en-GB")
    assert (found["calculation"]["units"], found["calculation"]["angle_limit_degrees"]) == ("mm", 2)
    assert patch(client, calculation=None, currency=None).json() == BY_DEFAULT | {"locale": "en-GB"}


@pytest.mark.parametrize(
    ("members", "code", "pointer"),
    [
        ({"calculation": {"order_probability": 0.5}}, "patch-outcome", "/calculation/order_probability"),
        ({"calculation": {"colour": "red"}}, "patch-outcome", "/calculation/colour"),
        ({"tax": {"rates": [{"name": "a", "percent": "1"}] * 2}}, "impossible-value", "/tax/rates/1/name"),
        ({"currency": "XYZ"}, "impossible-value", "/currency"),
        ({"locale": "en_GB"}, "invalid-body", "/locale"),
        ({"quote_valid_days": 0}, "invalid-body", "/quote_valid_days"),
        ({"colour": "red"}, "invalid-body", "/colour"),
    ],
)
def test_settings_that_make_no_sense_are_refused_at_their_place(
    client: Client, members: dict[str, Any], code: str, pointer: str
) -> None:
    answer = patch(client, **members)
    assert (answer.status_code, answer.json()["type"]) == (422, f"/problems/{code}")
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    assert client.get("/v1/settings").json() == BY_DEFAULT


CALLS = {
    "/v1/thread-verdicts": "clear_shell",
    "/v1/spindle-options": "known_crank",
    "/v1/chainline-predictions": "two_rings",
    "/v1/quotes": "whole_job",
}


@pytest.mark.parametrize("path", CALLS)
def test_every_calculation_uses_them_unless_the_request_brings_its_own(client: Client, path: str) -> None:
    body = msgspec.json.decode(examples.read(CALLS[path]))
    put(client, calculation={"units": "in"})
    by_shop = client.post(path, json=body)
    own = client.post(path, json=body | {"settings": {"units": "mm"}})
    assert (b'"unit":"in"' in by_shop.content, b'"unit":"in"' in own.content) == (True, False)


def test_another_shop_and_test_mode_have_their_own(client: Client, shop_b: Shop, shop_a_test: Shop) -> None:
    put(client, currency="GBP")
    for other in (shop_b, shop_a_test):
        assert client.get("/v1/settings", headers=other.headers).json()["currency"] == "EUR"
    assert client.get("/v1/settings").json()["currency"] == "GBP"


def test_an_old_quote_tells_the_settings_it_was_computed_with(client: Client) -> None:
    put(client, calculation={"chain_line_tolerance_mm": 1.0}, currency="GBP")
    quote = client.post("/v1/quotes", json=JOB)
    put(client, calculation={"chain_line_tolerance_mm": 2.0})
    kept = client.get(quote.headers["location"]).json()
    assert kept["result"]["settings"]["chain_line_tolerance_mm"] == 1.0
    assert kept["settings_version"] == 1
    then = client.get(f"/v1/settings/versions/{kept['settings_version']}").json()
    assert (then["currency"], then["calculation"]["chain_line_tolerance_mm"]) == ("GBP", 1.0)
    act = {"If-Match": quote.headers["etag"]}
    revised = client.post(f"{quote.headers['location']}/transitions", json={"action": "revise"}, headers=act).json()
    assert revised["result"]["settings"]["chain_line_tolerance_mm"] == 2.0
    assert revised["settings_version"] == 2
    assert client.get("/v1/settings/versions/3").status_code == 404


def test_a_quote_holds_for_as_long_as_the_shop_says(client: Client) -> None:
    put(client, quote_valid_days=3)
    quote = client.post("/v1/quotes", json=JOB)
    act = {"If-Match": quote.headers["etag"]}
    issued = client.post(f"{quote.headers['location']}/transitions", json={"action": "issue"}, headers=act).json()
    (done,) = client.get(f"{quote.headers['location']}/transitions").json()["transitions"]
    assert datetime.fromisoformat(issued["expires_at"]) - datetime.fromisoformat(done["at"]) == timedelta(days=3)


def test_a_crank_of_the_shops_is_used_by_its_name(client: Client) -> None:
    named = {"known_by": "shop_crank", "name": "touring double"}
    job = JOB | {"spindle": JOB["spindle"] | {"crank": named}}
    refused = client.post("/v1/quotes", json=job)
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == ["/spindle/crank/name"]
    put(client, cranks=[{"name": "touring double", "crank": PAIR}])
    by_name = client.post("/v1/quotes", json=job).json()
    written_out = client.post("/v1/quotes", json=JOB | {"spindle": JOB["spindle"] | {"crank": PAIR}}).json()
    assert by_name["request"]["spindle"]["crank"] == named
    assert by_name["result"] == written_out["result"]
    question = {"target": JOB["spindle"]["target"], "crank": named}
    shell = {"family": "iso_english", "width": 68}
    options = client.post("/v1/spindle-options", json={"question": question, "shell": shell})
    assert options.status_code == 200


def test_a_change_is_in_the_audit_trail_and_one_without_effect_is_no_change(client: Client) -> None:
    put(client, currency="GBP")
    first = client.get("/v1/settings").headers["etag"]
    put(client, currency="GBP")
    assert client.get("/v1/settings").headers["etag"] == first
