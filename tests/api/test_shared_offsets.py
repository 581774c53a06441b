"""What a fit report says of its crank reaches other shops where its own shop wants that, and not otherwise."""

import pytest
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.api import ordering
from tests.api.fitting import change_settings, ordered, reported
from tests.shops import Shop, Shops

Client = TestClient[Edge]
BLUE = {
    **ordering.SURE,
    "spindle": {**ordering.SURE["spindle"], "crank": {**ordering.SURE["spindle"]["crank"], "model": "Blue"}},
}


def learned(client: Client, shop: Shop) -> object:
    """What a shop's quote for the same job predicts; each shop has measured it alike."""
    answer = client.post("/v1/quotes", json=BLUE, headers=shop.headers)
    return answer.json()["result"]["spindle"]


def give(client: Client, shop: Shop) -> None:
    """Have a shop fit and report a job, far from where it was predicted."""
    client.headers.update(shop.headers)
    reported(client, ordered(client, BLUE), 41.0)


@pytest.mark.parametrize("shares", [True, False])
def test_what_a_shop_shares_reaches_another_and_nothing_else_does(
    client: Client, shop_a: Shop, shop_b: Shop, *, shares: bool
) -> None:
    before = learned(client, shop_b)
    change_settings(client, share_fit_reports=shares)
    give(client, shop_a)
    after = learned(client, shop_b)
    assert (after != before) is shares
    assert client.get("/v1/cranks/learning", headers=shop_b.headers).json()["cranks"] == []


def test_what_is_tried_in_test_mode_is_never_shared(client: Client, shops_there: Shops) -> None:
    before = learned(client, shops_there.b)
    client.headers.update(shops_there.a_test.headers)
    change_settings(client, share_fit_reports=True)
    give(client, shops_there.a_test)
    assert learned(client, shops_there.b) == before
