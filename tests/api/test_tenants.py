"""Two shops are blind to each other across every operation of the API document, and live data to test data."""

from collections.abc import Mapping

import httpx
import pytest

from tests.api.calls import Operation, operations
from tests.api.conftest import Furnished
from tests.api.resources import KINDS
from tests.shops import Shop, Shops

GUARDED = [operation for operation in operations() if operation.scope]
NAMING = [operation for operation in GUARDED if operation.identifiers]
LISTING = [operation for operation in GUARDED if operation.method == "GET" and not operation.identifiers]
NAMELESS = frozenset({"instance"})
"""What differs between two problem documents about the same thing."""


@pytest.fixture(params=["another shop", "the same shop in test mode"])
def stranger(request: pytest.FixtureRequest, shops_there: Shops) -> Shop:
    """Give somebody who must see nothing of the first shop's live data."""
    return shops_there.b if request.param == "another shop" else shops_there.a_test


def _ids(made: Mapping[str, str]) -> list[str]:
    """What names something by itself in the whole service: not a number that every shop counts from 1."""
    found = [name for name in made.values() if len(name) > 30]  # a UUID has 36 characters
    assert len(found) >= 2
    return found


def _said(response: httpx.Response) -> object:
    return response.status_code, {name: part for name, part in response.json().items() if name not in NAMELESS}


def test_every_identifier_in_a_path_can_be_made_and_so_is_tried() -> None:
    named = {name for operation in NAMING for name in operation.identifiers}
    assert named == set(KINDS), "say in tests/api/resources.py how to make what a path names"
    assert len(NAMING) >= 3


@pytest.mark.parametrize("operation", NAMING, ids=lambda operation: operation.name)
def test_what_a_shop_keeps_is_not_there_for_anybody_else(
    furnished: Furnished, shop_a: Shop, stranger: Shop, operation: Operation
) -> None:
    anyone, theirs = furnished.client, furnished.ids
    nobodys = {name: kind.nobodys() for name, kind in KINDS.items()}
    refused = operation.call(anyone, theirs, stranger.headers)
    assert refused.status_code == 404
    assert _said(refused) == _said(operation.call(anyone, nobodys, stranger.headers))
    own = operation.call(anyone, theirs, shop_a.headers)
    assert own.status_code not in {401, 403, 404}, "the call would have found it with the right key"


@pytest.mark.parametrize("operation", NAMING, ids=lambda operation: operation.name)
def test_who_tries_changes_nothing(furnished: Furnished, shop_a: Shop, stranger: Shop, operation: Operation) -> None:
    anyone, theirs = furnished.client, furnished.ids
    reading = [each for each in NAMING if each.method == "GET" and set(each.identifiers) <= {*operation.identifiers}]
    assert reading
    before = [each.call(anyone, theirs, shop_a.headers).content for each in reading]
    operation.call(anyone, theirs, stranger.headers)
    assert [each.call(anyone, theirs, shop_a.headers).content for each in reading] == before


@pytest.mark.parametrize("operation", LISTING, ids=lambda operation: operation.name)
def test_no_list_shows_what_belongs_to_somebody_else(
    furnished: Furnished, stranger: Shop, operation: Operation
) -> None:
    shown = operation.call(furnished.client, {}, stranger.headers)
    assert shown.status_code == 200
    assert [name for name in _ids(furnished.ids) if name in shown.text] == []


def test_the_lists_of_the_shop_itself_show_everything_it_made(furnished: Furnished, shop_a: Shop) -> None:
    shown = "".join(operation.call(furnished.client, {}, shop_a.headers).text for operation in LISTING)
    assert [name for name in _ids(furnished.ids) if name not in shown] == []


def test_the_audit_trail_of_one_thing_is_empty_for_everybody_else(
    furnished: Furnished, shop_a: Shop, stranger: Shop
) -> None:
    anyone = furnished.client
    made = {kind: name for kind, name in furnished.ids.items() if KINDS[kind].audited}
    for name in _ids(made):
        query = {"subject_id": name}
        assert anyone.get("/v1/audit", params=query, headers=stranger.headers).json() == {"entries": []}
        assert anyone.get("/v1/audit", params=query, headers=shop_a.headers).json()["entries"]
