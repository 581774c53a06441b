"""Jobs whose parts were ordered, and what was measured once the crank was on."""

from collections.abc import Mapping
from typing import Any
from uuid import uuid4

import httpx
from litestar.testing import TestClient

from cotterline.api.edge import Edge
from tests.api import ordering

Client = TestClient[Edge]


def line(at: float, **more: object) -> dict[str, Any]:
    """One measurement of the chain line; better than a ruler's."""
    reading = {"value": at, "unit": "mm", "tool": "gauge", "plus_minus": 0.2, **more}
    return {"method": "measured_chain_line", "chain_line": reading}


def report(*at: float, **more: object) -> dict[str, Any]:
    """A report of chain lines measured."""
    return {"chain_lines": [line(each) for each in at], **more}


def ordered(client: Client, job: Mapping[str, Any] = ordering.SURE, **asked: object) -> str:
    """Make a quote, have it approved and order its parts; gives its id. The crank is aimed at 42 mm on 113 mm."""
    ordering.stock(client)
    quote_id = ordering.approved(client, job)
    ordering.placed(client, quote_id, asked)
    return quote_id


def post(client: Client, quote_id: str, body: object, **headers: str) -> httpx.Response:
    """Report a fit."""
    sent = {"Idempotency-Key": f'"{uuid4()}"', **headers}
    return client.post(f"/v1/quotes/{quote_id}/fit-reports", json=body, headers=sent)


def reported(client: Client, quote_id: str, *at: float, **more: object) -> dict[str, Any]:
    """Report chain lines measured, and give the report."""
    answer = post(client, quote_id, report(*at, **more))
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


def change_settings(client: Client, **members: object) -> None:
    """Change the shop's settings."""
    headers = {"If-Match": client.get("/v1/settings").headers["etag"], "Content-Type": "application/merge-patch+json"}
    changed = client.request("PATCH", "/v1/settings", json=members, headers=headers)
    assert changed.status_code == 200, changed.text
