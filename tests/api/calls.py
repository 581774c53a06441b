"""Every operation of the API document as a call that would do something, so that a new operation is tried by itself."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple
from uuid import uuid4

import httpx
import msgspec
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from cotterline.main import openapi_document
from tests.api.resources import KINDS

Client = TestClient[Edge]
DOCUMENT: dict[str, Any] = msgspec.json.decode(openapi_document())


class Operation(NamedTuple):
    """One operation of the document."""

    name: str
    method: str
    path: str
    content: Mapping[str, Any]

    @property
    def scope(self) -> str:
        """What a key needs for it; empty if it is open to everyone."""
        return str(self.content["security"][0]["key"][0]) if self.content["security"] else ""

    @property
    def identifiers(self) -> list[str]:
        """What its path names."""
        return [part["name"] for part in self.content["parameters"] if part["in"] == "path"]

    def call(self, client: Client, ids: Mapping[str, str], headers: Mapping[str, str]) -> httpx.Response:
        """Call it with the document's own example for a body, and every header it asks for."""
        address = self.path.format_map(ids)
        asked = {part["name"] for part in self.content["parameters"] if part["in"] == "header"}
        given = {"If-Match": "*", "Idempotency-Key": f'"{uuid4()}"', "Upload-Offset": "0"}
        sent = {name: value for name, value in given.items() if name in asked} | dict(headers)
        return client.request(self.method, address, content=self._body(), headers=self._kind() | sent)

    def _body(self) -> bytes | None:
        media = [*self.content.get("requestBody", {}).get("content", {}).values()]
        if not media:
            return None
        return msgspec.json.encode(next(iter(media[0]["examples"].values()))["value"])

    def _kind(self) -> dict[str, str]:
        kinds = [*self.content.get("requestBody", {}).get("content", {})]
        return {"Content-Type": kinds[0]} if kinds else {}


def operations() -> Iterator[Operation]:
    """Every operation of the document."""
    for path, item in DOCUMENT["paths"].items():
        for method, content in item.items():
            yield Operation(content["operationId"], method.upper(), path, content)


def one_of_everything(client: Client) -> dict[str, str]:
    """Make one of everything with the key the client carries; gives the id for each path parameter."""
    return {name: kind.make(client) for name, kind in KINDS.items()}
