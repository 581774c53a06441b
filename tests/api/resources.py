"""One of everything the API keeps, made over HTTP: what stands for each identifier in a path of the API document."""

from collections.abc import Callable, Mapping
from datetime import timedelta
from inspect import getclosurevars
from typing import Any, NamedTuple
from uuid import uuid4

import msgspec
from litestar.testing import TestClient

from cotterline.api import examples
from cotterline.api.edge import Edge
from cotterline.runs.worker import RunWorker
from tests.api import fitting, ordering

Client = TestClient[Edge]


def a_quote(client: Client) -> str:
    """Make a quote and give its id."""
    return str(_made(client, "/v1/quotes", msgspec.json.decode(examples.read("whole_job")))["id"])


def a_link_to_the_newest_quote(client: Client) -> str:
    """Give the id of the link that was made to it."""
    newest = client.get("/v1/quotes", params={"limit": 1}).json()["quotes"][0]["id"]
    return str(client.get(f"/v1/quotes/{newest}/estimate-links").json()["links"][0]["id"])


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


def a_supplier(client: Client) -> str:
    """Send a price list, say where orders go, and give the supplier's name."""
    name = a_price_list(client)
    ordering.set_supplier(client, name)
    return name


def a_secret_of_the_newest_supplier(client: Client) -> str:
    """Share a secret with the supplier made last and give the secret's id."""
    every = client.get("/v1/suppliers").json()["suppliers"]
    newest = max(every, key=lambda each: str(each["created_at"]))["supplier"]
    return str(_made(client, f"/v1/suppliers/{newest}/secrets", {"purpose": "reply"})["id"])


def an_order(client: Client) -> str:
    """Have a quote approved, order its parts and give the order's id."""
    return str(ordering.an_order(client)["id"])


def a_fitted_quote(client: Client) -> str:
    """Show a job to the customer, order its parts, report that it was fitted and passed, and give the quote's id."""
    ordering.stock(client)
    quote_id = ordering.issued(client, ordering.SURE)
    _made(client, f"/v1/quotes/{quote_id}/estimate-links", {})
    ordering.agree(client, quote_id)
    ordering.placed(client, quote_id, {})
    fitting.reported(client, quote_id, 42.3)
    return quote_id


def a_report_of_the_newest_visit(client: Client) -> str:
    """Give the id of the report of the job that was fitted last."""
    (visit,) = client.get("/v1/recheck-visits", params={"limit": 1}).json()["visits"]
    (report,) = client.get(f"/v1/quotes/{visit['quote_id']}/fit-reports").json()["reports"]
    return str(report["id"])


def a_subscription(client: Client) -> str:
    """Subscribe to every event and give the subscription's id."""
    return str(_made(client, "/v1/subscriptions", {"endpoint": "https://till.example/events"})["id"])


def a_secret_of_the_newest_subscription(client: Client) -> str:
    """Give the id of the secret that was made with the subscription."""
    newest = client.get("/v1/subscriptions", params={"limit": 1}).json()["subscriptions"][0]["id"]
    return str(client.get(f"/v1/subscriptions/{newest}/secrets").json()["secrets"][0]["id"])


def a_position(client: Client) -> str:
    """Let something happen and give its place among the events."""
    a_quote(client)
    return str(client.get("/v1/events").json()["last_position"])


def a_delivery(client: Client) -> str:
    """Have something posted, ask for another try of it, and give the delivery's id."""
    a_subscription(client)
    a_quote(client)
    found = str(client.get("/v1/deliveries", params={"limit": 1}).json()["deliveries"][0]["id"])
    again = client.post(f"/v1/deliveries/{found}/retries", headers={"Idempotency-Key": f'"{uuid4()}"'})
    assert again.status_code == 202, again.text
    return found


def a_run(client: Client) -> str:
    """Make a run, send it a bicycle, have that worked on, and give the run's id."""
    run = str(_made(client, "/v1/quote-runs", {"bicycles_form": "json_lines"})["id"])
    headers = {"Content-Type": "application/partial-upload", "Upload-Offset": "0", "Upload-Complete": "?1"}
    sent = client.patch(f"/v1/quote-runs/{run}/bicycles", content=b"{}", headers=headers)
    assert sent.status_code == 204, sent.text
    edge: Edge = getclosurevars(client.app).nonlocals["app"]  # the client wraps it in a function
    worker = RunWorker(edge.app.state.database, timedelta(days=7))
    assert client.blocking_portal.call(worker.work_once)
    return run


class Kind(NamedTuple):
    """What one path parameter names.

    Attributes:
        make: makes one with whatever key the client carries, and gives what names it.
        nobodys: gives what names none.
        audited: whether the audit trail has entries of its own for it, not only for what it belongs to.
    """

    make: Callable[[Client], str]
    nobodys: Callable[[], str]
    audited: bool = True


def _any_id() -> str:
    return str(uuid4())


KINDS: Mapping[str, Kind] = {
    "quote_id": Kind(a_fitted_quote, _any_id),
    "quote_run_id": Kind(a_run, _any_id),
    "link_id": Kind(a_link_to_the_newest_quote, _any_id),
    "key_id": Kind(a_key, _any_id),
    "order_id": Kind(an_order, _any_id),
    "fit_report_id": Kind(a_report_of_the_newest_visit, _any_id),
    "supplier": Kind(a_supplier, _any_id),
    "secret_id": Kind(a_secret_of_the_newest_supplier, _any_id, audited=False),
    "delivery_id": Kind(a_delivery, _any_id),
    "subscription_id": Kind(a_subscription, _any_id),
    "signing_secret_id": Kind(a_secret_of_the_newest_subscription, _any_id, audited=False),
    "position": Kind(a_position, lambda: "999999"),
    "number": Kind(lambda _: "1", lambda: "1"),
    "part": Kind(lambda _: "1", lambda: "1"),
    "drawing": Kind(lambda _: "verdict", lambda: "verdict"),
    "version": Kind(a_version_of_each_document, lambda: "999"),
}
"""How to make what a path parameter of the API document names."""


def _made(client: Client, path: str, body: object) -> dict[str, Any]:
    response = client.post(path, json=body, headers={"Idempotency-Key": f'"{uuid4()}"'})
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made
