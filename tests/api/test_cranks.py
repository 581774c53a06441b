"""What was learned of cranks, over HTTP."""

from typing import Any

from litestar.testing import TestClient

from cotterline.api.edge import Edge

Client = TestClient[Edge]
PATH = "/v1/cranks/learning"


def asked(**crank: Any) -> dict[str, Any]:  # noqa: ANN401 - any member of a crank
    """A request for a spindle under a crank of which nothing was measured."""
    return {
        "question": {"target": {"aim": "nominal", "kind": "track"}, "crank": {"known_by": "unknown"} | crank},
        "shell": {"family": "iso_english", "width": 68},
    }


def test_a_shop_that_reported_nothing_learned_nothing(client: Client) -> None:
    assert client.get(PATH).json()["cranks"] == []


def test_a_crank_that_was_never_fitted_is_a_question_and_not_a_guess(client: Client) -> None:
    refused = client.post("/v1/spindle-options", json=asked(model="Five-pin steel", taper="jis"))
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/question/crank")


def test_a_trade_item_number_of_a_crank_is_checked(client: Client) -> None:
    refused = client.post("/v1/spindle-options", json=asked(gtin="4006381333932"))
    assert [fault["pointer"] for fault in refused.json()["errors"]] == ["/question/crank/gtin"]
