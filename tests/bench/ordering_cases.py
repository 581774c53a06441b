"""Markets, quotes and what is needed of them for the tests of ordering. Every name and figure is invented."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import msgspec

from cotterline.bench.allotments import Market
from cotterline.bench.derivation import Trace
from cotterline.bench.order_needs import KeptResult
from cotterline.bench.orders import OrderHead, OrderRequest
from cotterline.bench.pricing.catalogue import Offer, Part, PriceList
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.suppliers import Supplier
from cotterline.bench.workshop import Workshop
from tests.bench.bikes import COTTERED
from tests.bench.order_cases import QUOTE
from tests.bench.pricing_cases import shop
from tests.bench.spindle_cases import cotter_question

WEDNESDAY = datetime.fromisoformat("2026-11-25T10:00")
"""Ten in the morning at every supplier."""

TWO_LENGTHS = QuoteRequest(evidence=COTTERED, spindle=cotter_question(113, 42, unit={"taper": "jis"}))
"""The policy orders 113 and 110 mm for it, and one goes back."""


def parts() -> tuple[Part, ...]:
    """Units of three lengths, bolts, a chain."""
    units = [
        msgspec.convert(
            {
                "sku": f"u{length}",
                "name": f"Unit {length}",
                "role": "unit",
                "family": "iso_english",
                "shell_width": 68,
                "spindle_length": length,
                "taper": "jis",
            },
            Part,
        )
        for length in (110, 113, 115)
    ]
    bolts = Part(sku="b8", name="Bolt", role="crank_bolts", thread="M8 x 1")
    return (*units, bolts, Part(sku="c8", name="Chain, 8 speeds", role="chain"))


def offers(supplier: str, currency: str = "EUR", **prices: Any) -> PriceList:  # noqa: ANN401 - a price, or members of an offer
    """A price list; a price alone, or what an offer says besides."""
    made = [
        msgspec.convert({"sku": sku} | (said if isinstance(said, dict) else {"price": said}), Offer)
        for sku, said in prices.items()
    ]
    return PriceList(supplier=supplier, currency=currency, offers=tuple(made))


def supplier(**body: Any) -> Supplier:  # noqa: ANN401 - any member of a supplier
    """A supplier that works from Monday to Friday until three."""
    return msgspec.convert({"endpoint": "https://orders.example/in"} | body, Supplier)


def market(*price_lists: PriceList, suppliers: dict[str, Supplier] | None = None) -> Market:
    """Where all that is in these lists can be bought, of suppliers that are all known."""
    known = suppliers if suppliers is not None else {prices.supplier: supplier() for prices in price_lists}
    return Market(
        parts=parts(),
        price_lists=price_lists,
        currency="EUR",
        suppliers=known,
        clocks=dict.fromkeys(known, WEDNESDAY),
    )


def workshop(*price_lists: PriceList, profile: ShopProfile | None = None) -> Workshop:
    """A shop that sells parts at cost and works for 60 an hour."""
    plain = shop(labour_rates={"bench": "60", "cutting": "60", "frame": "60"}, shipping="6.00", return_shipping="4.00")
    return Workshop(profile=profile or plain, parts=parts(), price_lists=price_lists)


def kept(request: QuoteRequest, shop_of: Workshop) -> KeptResult:
    """The result of a request, as an order reads it back."""
    written = msgspec.json.encode(quote(request, shop_of, Trace(wanted=False)))
    return msgspec.json.decode(written, type=KeptResult)


def request(**body: Any) -> OrderRequest:  # noqa: ANN401 - any member of an order request
    """How parts are to be ordered."""
    return msgspec.convert(body, OrderRequest)


def head(suppliers: Sequence[str] = (), **body: Any) -> OrderHead:  # noqa: ANN401 - any member of the head
    """What the orders of a quote have in common."""
    plain: dict[str, Any] = {
        "quote_id": QUOTE,
        "quote_version": 4,
        "quote_revision": 2,
        "shop": "Sluice gate cycles",
        "ordered_on": date(2026, 11, 25),
        "request": OrderRequest(),
        "suppliers": {name: supplier(customer_number=f"K-{name}") for name in suppliers},
    }
    return OrderHead(**(plain | body))
