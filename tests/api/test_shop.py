"""Whose key this is."""

from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.shops import Shop, Shops

Client = TestClient[Edge]


def test_a_key_tells_its_shop_and_its_mode(client: Client, shops_there: Shops) -> None:
    for shop in shops_there:
        told = client.get("/v1/shop", headers=shop.headers).json()
        assert (told["id"], told["mode"], told["name"]) == (str(shop.tenant.shop), shop.tenant.mode, shop.name)
        assert told["scopes"] == ["read", "quote", "order", "administer"]


def test_live_and_test_keys_of_a_shop_tell_the_same_shop(client: Client, shop_a: Shop, shop_a_test: Shop) -> None:
    live, test = (client.get("/v1/shop", headers=shop.headers).json() for shop in (shop_a, shop_a_test))
    assert (live.pop("mode"), test.pop("mode")) == ("live", "test")
    assert live == test
