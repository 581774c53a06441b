"""Shops, prices and parts for the tests of pricing, built from a few words. Every name and figure is invented."""

from collections.abc import Sequence
from typing import Any

import msgspec

from cotterline.bench.money import Money
from cotterline.bench.parts_list import Measure, PartsLine, PropertyName, Quantity, Role, Text, unit_thread
from cotterline.bench.pricing.catalogue import Offer, Part, PriceList
from cotterline.bench.pricing.in_force import PricingInForce, in_force
from cotterline.bench.pricing.sourcing import Market, SourcedLine, SourcedParts
from cotterline.bench.shell.families import FAMILIES
from cotterline.bench.shop_profile import ShopProfile

ENGLISH = unit_thread(FAMILIES["iso_english"])
FULL_AND_LOW = [{"name": "full", "percent": "20"}, {"name": "low", "percent": "5"}]


def shop(currency: str = "EUR", tax: dict[str, Any] | None = None, **pricing: Any) -> ShopProfile:  # noqa: ANN401 - any part of a profile
    """A shop's profile as its settings would state it."""
    return msgspec.convert({"currency": currency, "tax": tax or {}, "pricing": pricing}, ShopProfile)


def rules(currency: str = "EUR", tax: dict[str, Any] | None = None, **pricing: Any) -> PricingInForce:  # noqa: ANN401 - as above
    """The rules in force for such a shop."""
    return in_force(shop(currency, tax, **pricing))


def ordered(price: str, quantity: int = 1, currency: str = "EUR", *, line: int = 1, tried: bool = False) -> SourcedLine:
    """A part with its selling price."""
    money = Money(amount=price, currency=currency)
    return SourcedLine(
        line=line,
        sku=f"part {line}",
        name=f"Part {line}",
        quantity=quantity,
        supplier="a supplier",
        unit_cost=money,
        unit_price=money,
        exact=True,
        returnable=tried,
    )


def exactly(name: PropertyName, value: float) -> Measure:
    """A dimension nothing may differ from."""
    return Measure(name=name, value=value, lowest=value, highest=value)


def unit_line(length: float = 113, low: float = 110, high: float = 116, *, tried: bool = False) -> PartsLine:
    """A unit for an English shell of 68 mm with square ends of the ISO standard."""
    return PartsLine(
        number=1,
        role="unit",
        supply="order",
        name="Cartridge unit",
        quantity=Quantity(1),
        properties=(
            Text(name="thread", value=ENGLISH.designation, accepted=(ENGLISH.designation,)),
            exactly("thread_outside_diameter", ENGLISH.outside_diameter_mm),
            exactly("thread_pitch", ENGLISH.pitch_mm),
            Text(name="drive_side_hand", value="left", accepted=("left",)),
            Text(name="non_drive_side_hand", value="right", accepted=("right",)),
            exactly("shell_width", 68),
            Measure(name="spindle_length", value=length, lowest=low, highest=high),
            Text(name="spindle_taper", value="iso", accepted=("iso",)),
            exactly("spindle_asymmetry", 0),
        ),
        returnable=tried,
    )


def unit(sku: str = "u113", length: float = 113, **other: Any) -> Part:  # noqa: ANN401 - any member of a part
    """A part that answers ``unit_line``, save for what is said."""
    body = {
        "sku": sku,
        "name": f"Unit {length:g}",
        "role": "unit",
        "family": "iso_english",
        "shell_width": 68,
        "spindle_length": length,
        "taper": "iso",
    }
    return msgspec.convert(body | other, Part)


def sourced(
    need: Sequence[PartsLine], parts: Sequence[Part], price_lists: Sequence[PriceList], held: PricingInForce
) -> SourcedParts:
    """What a market of these parts and lists answers."""
    return Market(parts, price_lists, held).sourced(need)


def for_role(
    role: Role, what: str, parts: Sequence[Part], price_lists: Sequence[PriceList], held: PricingInForce
) -> SourcedParts:
    """The cheapest of a role in such a market."""
    return Market(parts, price_lists, held).for_role(role, what)


def list_of(supplier: str, currency: str = "EUR", **prices: str) -> PriceList:
    """A price list with one price for each number."""
    offers = tuple(Offer(sku=sku, price=price) for sku, price in prices.items())
    return PriceList(supplier=supplier, currency=currency, offers=offers)
