"""What is worked out for a workshop is used again while the shop stays as it is, and never for another."""

from uuid import uuid4

from msgspec.structs import replace

from cotterline.api.workshops import MOST_PREPARED, Prepared
from cotterline.bench.pricing.catalogue import Part
from cotterline.bench.shop_profile import DEFAULT
from cotterline.bench.workshop import Workshop
from cotterline.store.tenancy import Tenant

PART = Part(sku="C-8", role="chain", name="chain")


def _shop() -> Tenant:
    return Tenant(shop=uuid4(), mode="live")


def test_an_equal_workshop_is_the_one_that_is_prepared() -> None:
    prepared, shop = Prepared(), _shop()
    first = prepared.known(shop, Workshop(parts=(PART,)))
    assert prepared.known(shop, Workshop(parts=(PART,))) is first


def test_a_shop_that_changed_anything_is_prepared_anew_and_then_again() -> None:
    prepared, shop = Prepared(), _shop()
    first = prepared.known(shop, Workshop(parts=(PART,)))
    changed = Workshop(parts=(PART,), profile=replace(DEFAULT, currency="CHF"))
    assert prepared.known(shop, changed) is changed
    assert prepared.known(shop, Workshop(parts=(PART,))) is not first


def test_shops_do_not_share_and_the_one_that_was_asked_for_least_lately_goes() -> None:
    prepared, shops = Prepared(), [_shop() for _ in range(MOST_PREPARED + 1)]
    kept = [prepared.known(shop, Workshop()) for shop in shops]
    assert len({id(workshop) for workshop in kept}) == len(shops)
    assert prepared.known(shops[1], Workshop()) is kept[1]
    assert prepared.known(shops[0], Workshop()) is not kept[0]
