"""What a shop can fit and what its suppliers ask for it: parts, and price lists checked before they are kept."""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.errors import Fault
from cotterline.bench.gtin import Gtin, check_gtin
from cotterline.bench.money import MINOR_DECIMALS, Money, check_price
from cotterline.bench.pricing.rules import Amount
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shop import NO_NUL
from cotterline.bench.spindle.crank import Asymmetry
from cotterline.bench.spindle.taper import Taper

PartRole = Literal[
    "unit",
    "crank_bolts",
    "spacer",
    "crank",
    "chain",
    "chainring",
    "sprocket",
    "derailleur",
    "consumable",
    "other",
]
Sku = Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL, description="The shop's own number for a part.")]
Supplier = Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL)]
Words = Annotated[str, Meta(min_length=1, max_length=200, pattern=NO_NUL)]
ThreadWords = Annotated[str, Meta(min_length=1, max_length=40, pattern=NO_NUL)]


class Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something the shop can fit. What a part does not state, it is not taken to be.

    Attributes:
        sku: the shop's number for it; each once.
        name: in words.
        role: what it is for.
        gtin: its trade item number.
        family: thread family of the shell a unit is made for.
        shell_width: width of the shell a unit is made for, mm.
        spindle_length: overall, mm.
        taper: standard of the spindle's ends.
        spindle_asymmetry: right end minus left end of the spindle, mm; 0 unless stated.
        thread: of a bolt, as the trade writes it.
        thread_outside_diameter: of what a spacer goes on, mm.
        thickness: of a spacer, mm.
    """

    sku: Sku
    name: Words
    role: PartRole
    gtin: Gtin | UnsetType = UNSET
    family: FamilyId | UnsetType = UNSET
    shell_width: Annotated[float, Meta(ge=30, le=130)] | UnsetType = UNSET
    spindle_length: Annotated[float, Meta(ge=90, le=180)] | UnsetType = UNSET
    taper: Taper | UnsetType = UNSET
    spindle_asymmetry: Asymmetry = 0.0
    thread: ThreadWords | UnsetType = UNSET
    thread_outside_diameter: Annotated[float, Meta(gt=0, le=100)] | UnsetType = UNSET
    thickness: Annotated[float, Meta(gt=0, le=15)] | UnsetType = UNSET


class PriceBreak(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one piece costs from a quantity on."""

    quantity: Annotated[int, Meta(ge=1, le=100_000)]
    price: Amount


class Offer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a supplier asks for a part. It states a price, or breaks; not both.

    Attributes:
        sku: the shop's number for the part.
        price: of one piece, whatever the quantity.
        breaks: price of one piece by quantity, in ascending order.
        stock: pieces the supplier has; left out where unknown.
        lead_days: days until it is here; left out where unknown.
        gtin: its trade item number; must be the part's, where both state one.
    """

    sku: Sku
    price: Amount | UnsetType = UNSET
    breaks: Annotated[tuple[PriceBreak, ...], Meta(max_length=12)] = ()
    stock: Annotated[int, Meta(ge=0, le=10_000_000)] | UnsetType = UNSET
    lead_days: Annotated[int, Meta(ge=0, le=730)] | UnsetType = UNSET
    gtin: Gtin | UnsetType = UNSET


class PriceList(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one supplier asks, in one currency, before the shop's markup.

    Attributes:
        supplier: the shop's name for the supplier.
        currency: of every price in it, ISO 4217.
        offers: each part once.
    """

    supplier: Supplier
    currency: Annotated[str, Meta(pattern=r"^[A-Z]{3}(?![\s\S])", max_length=3)]
    offers: Annotated[tuple[Offer, ...], Meta(max_length=20_000)]


def check_parts(parts: Sequence[Part], pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a catalogue: a number given twice, a trade item number whose check digit is wrong."""
    yield from _repeated([part.sku for part in parts], pointer)
    for index, part in enumerate(parts):
        yield from check_gtin(part.gtin, f"{pointer}/{index}/gtin")


def check_price_list(prices: PriceList, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a price list: its currency, a number given twice, a price, a break, a check digit."""
    if prices.currency not in MINOR_DECIMALS:
        yield Fault(f"{pointer}/currency", f"{prices.currency} is no currency of ISO 4217 with a minor unit")
        return
    yield from _repeated([offer.sku for offer in prices.offers], f"{pointer}/offers")
    for index, offer in enumerate(prices.offers):
        yield from check_offer(offer, prices.currency, f"{pointer}/offers/{index}")


def check_offer(offer: Offer, currency: str, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with one offer; ``currency`` must be one of ISO 4217."""
    yield from check_gtin(offer.gtin, f"{pointer}/gtin")
    if isinstance(offer.price, UnsetType) == (not offer.breaks):
        yield Fault(f"{pointer}/price", "state a price or breaks: one of them")
    if not isinstance(offer.price, UnsetType):
        yield from _price(offer.price, currency, f"{pointer}/price")
    for index, step in enumerate(offer.breaks):
        yield from _price(step.price, currency, f"{pointer}/breaks/{index}/price")
    for index, (step, following) in enumerate(pairwise(offer.breaks), 1):
        if following.quantity <= step.quantity:
            yield Fault(f"{pointer}/breaks/{index}/quantity", "quantities of breaks must ascend")


def price_for(offer: Offer, quantity: int) -> Decimal | None:
    """What one of ``quantity`` pieces costs, or nothing where the first break asks for more pieces.

    >>> breaks = (PriceBreak(quantity=1, price="9.00"), PriceBreak(quantity=10, price="7.50"))
    >>> price_for(Offer(sku="a", breaks=breaks), 10)
    Decimal('7.50')
    """
    if not isinstance(offer.price, UnsetType):
        return Decimal(offer.price)
    reached = [step.price for step in offer.breaks if step.quantity <= quantity]
    return Decimal(reached[-1]) if reached else None


def _price(price: str, currency: str, pointer: str) -> Iterator[Fault]:
    for fault in check_price(Money(amount=price, currency=currency), ""):
        yield Fault(pointer, fault.detail)


def _repeated(skus: Sequence[str], pointer: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, sku in enumerate(skus):
        if sku in seen:
            yield Fault(f"{pointer}/{index}/sku", f"{sku!r} is given more than once")
        seen.add(sku)
