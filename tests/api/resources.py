"""One of everything the API keeps, made over HTTP: what stands for each identifier in a path of the API document."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple
from uuid import uuid4

import msgspec
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge

Client = TestClient[Edge]


def a_quote(client: Client) -> str:
    """Make a quote and give its id."""
    return str(_made(client, "/v1/quotes", msgspec.json.decode(examples.read("whole_job")))["id"])


def a_key(client: Client) -> str:
    """Issue a key and give its id."""
    return str(_made(client, "/v1/keys", {"label": str(uuid4()), "scopes": ["read"]})["id"])


CHANGES = {"/v1/settings": b'{"quote_valid_days":11}', "/v1/labour-book": b'{"contingencies":{"cotter_drilled":null}}'}
"""A change of each document that has versions."""


def a_version_of_each_document(client: Client) -> str:
    """Change each document once and give the number of the version that makes, the same for all."""
    (number,) = {_changed(client, path, patch) for path, patch in CHANGES.items()}
    return number


def _changed(client: Client, path: str, patch: bytes) -> str:
    headers = {"If-Match": client.get(path).headers["etag"], "Content-Type": "application/merge-patch+json"}
    changed = client.patch(path, content=patch, headers=headers)
    assert changed.status_code == 200, changed.text
    return str(changed.headers["content-location"].rpartition("/")[2])


def a_price_list(client: Client) -> str:
    """Send a price list and give its supplier's name."""
    supplier = str(uuid4())
    body = {"supplier": supplier, "currency": "EUR", "offers": [{"sku": "C-8", "price": "11.00"}]}
    made = client.put(f"/v1/price-lists/{supplier}", json=body, headers={"If-None-Match": "*"})
    assert made.status_code == 200, made.text
    return supplier


class Kind(NamedTuple):
    """What one path parameter names.

    Attributes:
        make: makes one with whatever key the client carries, and gives what names it.
        nobodys: gives what names none.
    """

    make: Callable[[Client], str]
    nobodys: Callable[[], str]


def _any_id() -> str:
    return str(uuid4())


KINDS: Mapping[str, Kind] = {
    "quote_id": Kind(a_quote, _any_id),
    "key_id": Kind(a_key, _any_id),
    "supplier": Kind(a_price_list, _any_id),
    "number": Kind(lambda _: "1", lambda: "1"),
    "version": Kind(a_version_of_each_document, lambda: "999"),
}
"""How to make what a path parameter of the API document names."""


def _made(client: Client, path: str, body: object) -> dict[str, Any]:
    response = client.post(path, json=body, headers={"Idempotency-Key": f'"{uuid4()}"'})
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made
