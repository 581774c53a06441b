"""A customer with a link: what his browser would send, byte for byte, and what the page says to him."""

import asyncio
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import Any

import httpx
from lxml import html
from sqlalchemy import update

from cotterline.store.database import Database
from cotterline.store.tables import estimate_links
from cotterline.store.tenancy import Tenant
from tests.api import ordering

Client = httpx.Client
PRICES = [*ordering.PRICES["offers"], {"sku": "U-68-110", "price": "14.00"}]
PRICING = {
    "labour_rates": {"bench": "60", "cutting": "60", "frame": "60"},
    "shipping": "4.00",
    "return_shipping": "5.00",
}
JOB: Mapping[str, Any] = {**ordering.JOB, "reference": "Green roadster <3"}
"""A name with a sign that a page must not take for its own."""


def a_shop_with_prices(client: Client) -> None:
    """Give the shop a price for everything the job needs, so that there is a ceiling to agree to."""
    ordering.set_parts(client, *ordering.PARTS, ordering.SHORTER)
    ordering.set_prices(client, offers=PRICES)
    ordering.set_supplier(client)
    headers = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
    assert client.patch("/v1/settings", json={"pricing": PRICING}, headers=headers).status_code == 200


def an_offer(client: Client, job: Mapping[str, Any] = JOB) -> str:
    """Make a quote with every price and issue it."""
    a_shop_with_prices(client)
    quote_id = ordering.a_quote(client, job)
    assert ordering.act(client, quote_id, "issue").status_code == 200
    return quote_id


def a_link(client: Client, quote_id: str, **asked: object) -> dict[str, Any]:
    """Make a link to an issued quote."""
    made = client.post(f"/v1/quotes/{quote_id}/estimate-links", json=asked)
    assert made.status_code == 201, made.text
    found: dict[str, Any] = made.json()
    return found


class Customer:
    """Whoever opens a link.

    Args:
        client: calls; whatever key it carries is left out.
        url: of the page.
    """

    def __init__(self, client: Client, url: str) -> None:
        self.client = client
        self.url = url
        self.answer = self.look()

    def look(self, query: str = "", **headers: str) -> httpx.Response:
        """Fetch the page."""
        self.answer = self._send("GET", self.url + query, None, headers)
        return self.answer

    def send(self, content: bytes | None = None, /, *, headers: Mapping[str, str] | None = None, **changes: str) -> int:
        """Send the form of the page seen last, with these fields changed; gives the status."""
        sent = self.pressed(**changes) if content is None else content
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        self.answer = self._send("POST", self.url, sent, kind | dict(headers or {}))
        return self.answer.status_code

    def pressed(self, **changes: str) -> bytes:
        """What the browser would send of the page seen last, with these fields changed, ``-`` leaving one out."""
        fields = {name: value for name, value in (self.form | changes).items() if value != "-"}
        return str(httpx.QueryParams(fields)).encode()

    def _send(self, method: str, url: str, content: bytes | None, headers: Mapping[str, str]) -> httpx.Response:
        request = self.client.build_request(method, url, content=content, headers=dict(headers))
        for name in ("authorization", "idempotency-key"):
            request.headers.pop(name, None)
        return self.client.send(request, follow_redirects=False)

    @property
    def page(self) -> html.HtmlElement:
        """The page seen last."""
        return html.fromstring(self.answer.content)

    @property
    def form(self) -> dict[str, str]:
        """What its form would send, no button pressed and nothing entered."""
        fields = self.page.xpath("//input[not(@type='checkbox')] | //input[@checked]")
        return {field.get("name"): field.get("value", "on") for field in fields}

    @property
    def words(self) -> str:
        """Everything the page says, styles apart."""
        return re.sub(r"\s+", " ", unescape(" ".join(self.page.xpath("//main//text()")))).strip()

    @property
    def heading(self) -> str:
        """What the page is about."""
        (found,) = self.page.xpath("//h1/text()")
        return str(found)

    @property
    def ceiling(self) -> str:
        """The amount in large type; empty where none is named."""
        return "".join(self.page.xpath("//*[@class='amount']/text()"))


def let_run_out(url: str, tenant: Tenant, link_id: str) -> None:
    """Let the time of a link be over."""

    async def change() -> None:
        database = await Database.open(url)
        async with database.write(tenant) as tx:
            past = datetime.now(UTC) - timedelta(seconds=1)
            rows = await tx.execute(update(estimate_links).values(expires_at=past))
        await database.close()
        assert rows >= 1, link_id

    asyncio.run(change())
