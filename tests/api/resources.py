"""One of everything the API keeps, made over HTTP: what stands for each identifier in a path of the API document."""

from collections.abc import Callable, Mapping
from typing import Any
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


MAKERS: Mapping[str, Callable[[Client], str]] = {"quote_id": a_quote, "key_id": a_key}
"""How to make what a path parameter names, with whatever key the client carries."""


def _made(client: Client, path: str, body: object) -> dict[str, Any]:
    response = client.post(path, json=body)
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made
