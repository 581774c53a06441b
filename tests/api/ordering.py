"""A shop that can order: its catalogue, a price list, a supplier, and quotes that customers agreed to."""

from collections.abc import Mapping
from typing import Any
from uuid import uuid4

import httpx
import msgspec

from cotterline.api import examples
from tests.api.agreed import agreed

Client = httpx.Client
JOB: Mapping[str, Any] = msgspec.json.decode(examples.read("whole_job"))
SURE: Mapping[str, Any] = {
    **JOB,
    "spindle": {
        "target": {"aim": "stated", "chain_line": {"value": 42, "unit": "mm"}},
        "crank": {
            "known_by": "reference_pair",
            "spindle_length": {"value": 113, "unit": "mm", "tool": "caliper"},
            "chain_line": {
                "method": "measured_chain_line",
                "chain_line": {"value": 42, "unit": "mm", "tool": "gauge", "plus_minus": 0.2},
            },
            "taper": "jis",
        },
    },
}
"""The same bicycle with a crank that was measured on a known spindle, so that one length is enough."""
PARTS: list[dict[str, Any]] = msgspec.json.decode(examples.read("parts"))["parts"]
PRICES: Mapping[str, Any] = msgspec.json.decode(examples.read("price_list"))
SHORTER = PARTS[0] | {"sku": "U-68-110", "name": "Cartridge unit 68 mm, spindle 110 mm", "spindle_length": 110}
DEPOT = "north depot"
FROM_STOCK = {"from_stock": [2]}
"""The quote asks for two lengths to be tried; the catalogue of the examples has one of them."""


def supplier(**changes: object) -> dict[str, Any]:
    """The settings of a supplier that takes orders in JSON."""
    return {"endpoint": "https://depot.example/orders", **changes}


def set_supplier(client: Client, name: str = DEPOT, **changes: object) -> None:
    """Make a supplier, or change it."""
    _put(client, f"/v1/suppliers/{name}", supplier(**changes))


def set_prices(client: Client, name: str = DEPOT, offers: object = None) -> None:
    """Make a supplier's price list, or change it; that of the examples unless offers are given."""
    body = {**PRICES, "supplier": name, **({"offers": offers} if offers else {})}
    _put(client, f"/v1/price-lists/{name}", body)


def set_parts(client: Client, *parts: object) -> None:
    """Send a catalogue; that of the examples unless parts are given."""
    sent = client.put("/v1/parts", json={"parts": [*(parts or PARTS)]}, headers={"If-Match": "*"})
    assert sent.status_code == 200, sent.text


def stock(client: Client, name: str = DEPOT) -> None:
    """Give the shop everything it takes to order."""
    set_parts(client)
    set_prices(client, name)
    set_supplier(client, name)


def a_quote(client: Client, job: Mapping[str, Any] = JOB) -> str:
    """Make a quote, a draft."""
    made = client.post("/v1/quotes", json=job, headers={"Idempotency-Key": f'"{uuid4()}"'})
    assert made.status_code == 201, made.text
    return str(made.json()["id"])


def act(client: Client, quote_id: str, action: str, **more: object) -> httpx.Response:
    """Do something with a quote, whatever its version."""
    headers = {"If-Match": "*", "Idempotency-Key": f'"{uuid4()}"'}
    return client.post(f"/v1/quotes/{quote_id}/transitions", json={"action": action, **more}, headers=headers)


def approved(client: Client, job: Mapping[str, Any] = JOB, ceiling: str = "400") -> str:
    """Make a quote and have it approved."""
    quote_id = issued(client, job)
    agree(client, quote_id, ceiling)
    return quote_id


def issued(client: Client, job: Mapping[str, Any] = JOB) -> str:
    """Make a quote and issue it."""
    quote_id = a_quote(client, job)
    assert act(client, quote_id, "issue").status_code == 200
    return quote_id


def agree(client: Client, quote_id: str, ceiling: str = "400") -> None:
    """Have a quote that was issued approved."""
    done = act(client, quote_id, "approve", **agreed("approve", ceiling))
    assert done.status_code == 200, done.text


def order(client: Client, quote_id: str, asked: Mapping[str, Any] = FROM_STOCK) -> httpx.Response:
    """Order the parts of a quote."""
    return client.post(f"/v1/quotes/{quote_id}/orders", json=asked, headers={"Idempotency-Key": f'"{uuid4()}"'})


def placed(client: Client, quote_id: str, asked: Mapping[str, Any] = FROM_STOCK) -> list[dict[str, Any]]:
    """Order the parts of a quote, and give the orders that makes."""
    answer = order(client, quote_id, asked)
    assert answer.status_code == 201, answer.text
    found: list[dict[str, Any]] = answer.json()["orders"]
    return found


def an_order(client: Client) -> dict[str, Any]:
    """Place one order."""
    stock(client)
    (made,) = placed(client, approved(client))
    return made


def _put(client: Client, path: str, body: object) -> None:
    """Make what is there or not there yet."""
    known = client.get(path).status_code == 200
    sent = client.put(path, json=body, headers={"If-Match": "*"} if known else {"If-None-Match": "*"})
    assert sent.status_code == 200, sent.text
