"""How a shop turns work and parts into money. The shipped figures are invented: ``data/pricing.toml``."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.data import load
from cotterline.bench.errors import Fault
from cotterline.bench.money import Money, Rounding, check_price
from cotterline.bench.shop import NO_NUL

BillKind = Literal["labour", "parts", "sundries", "shipping"]
Amount = Annotated[
    str,
    Meta(
        pattern=r"^-?(0|[1-9][0-9]{0,7})(\.[0-9]{1,4})?(?![\s\S])",
        max_length=14,
        description="Decimal number as text, in the currency it stands beside; never negative.",
        examples=["12.50"],
    ),
]
Percent = Annotated[
    str,
    Meta(
        pattern=r"^(0|[1-9][0-9]{0,2})(\.[0-9]{1,3})?(?![\s\S])",
        max_length=7,
        description="Decimal number as text, in percent.",
        examples=["12.5"],
    ),
]
Name = Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL)]


class LabourRates(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What an hour of work costs, by its class. A class without a rate is said to have none; it is never free.

    Attributes:
        bench: work at the bench.
        cutting: work that cuts the frame's metal: chasing, facing, tapping.
        frame: a frame builder's work.
    """

    bench: Amount | UnsetType = UNSET
    cutting: Amount | UnsetType = UNSET
    frame: Amount | UnsetType = UNSET


class MarkupTier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What goes on the cost of a part.

    Attributes:
        up_to: the greatest cost of one piece it holds for; left out, it holds for every cost.
        percent: of the cost.
    """

    up_to: Amount | UnsetType = UNSET
    percent: Percent


class SundriesShare(
    msgspec.Struct, tag_field="kind", tag="share", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """Small things as a share of the bill.

    Attributes:
        of: what it is a share of, discounts taken off.
        percent: the share.
        cap: the most it comes to.
    """

    of: Literal["labour", "parts"]
    percent: Percent
    cap: Amount | UnsetType = UNSET


class SundriesFlat(msgspec.Struct, tag_field="kind", tag="flat", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Small things at one amount a job."""

    amount: Amount


Sundries = SundriesShare | SundriesFlat


class Discount(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something off labour or parts. Of several each takes its share of the price before any.

    Attributes:
        name: what the shop calls it.
        percent: how much.
        on: what it is taken off; ``all`` is labour and parts. Sundries and shipping are never discounted.
    """

    name: Name
    percent: Percent
    on: Literal["labour", "parts", "all"]


class CeilingRule(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which amount the customer is asked to approve.

    Attributes:
        quantile: the share of such jobs it is enough for.
        round_up_to: it is rounded up to a multiple of this amount; 0 rounds to the smallest coin.
    """

    quantile: Annotated[float, Meta(ge=0.5, le=0.99)] = 0.9
    round_up_to: Amount = "5"


class TaxByKind(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The name of the rate of tax that each kind of line carries; a kind that names none carries none."""

    labour: Name | UnsetType = UNSET
    parts: Name | UnsetType = UNSET
    sundries: Name | UnsetType = UNSET
    shipping: Name | UnsetType = UNSET


class Pricing(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How a shop prices. Every amount is in the shop's currency, with tax in it or not as the shop's tax rule says.

    Attributes:
        labour_rates: what an hour costs.
        minimum_labour: the least that any work is charged.
        markup: on what parts cost; the first tier that reaches the cost holds, and no part becomes cheaper than a
            part of a lower tier could be. Without a tier parts are charged at cost.
        sundries: small things that are not listed one by one.
        shipping: what the delivery of ordered parts is charged, once a job and again when a spindle is exchanged.
        return_shipping: what sending one spindle back is charged.
        discounts: what is taken off.
        deposit_percent: how much of the ceiling is asked for beforehand.
        ceiling: which amount the customer is asked to approve.
        tax_by_kind: which rate of tax each kind of line carries.
        rounding: where and how amounts are rounded.
    """

    labour_rates: LabourRates = LabourRates()
    minimum_labour: Amount = "0"
    markup: Annotated[tuple[MarkupTier, ...], Meta(max_length=12)] = ()
    sundries: Sundries | UnsetType = UNSET
    shipping: Amount | UnsetType = UNSET
    return_shipping: Amount | UnsetType = UNSET
    discounts: Annotated[tuple[Discount, ...], Meta(max_length=12)] = ()
    deposit_percent: Percent = "0"
    ceiling: CeilingRule = CeilingRule()
    tax_by_kind: TaxByKind = TaxByKind()
    rounding: Rounding = Rounding()


class InventedPricing(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Pricing for a shop that stated none, in the one currency it is in."""

    grade: Literal["invented"]
    source: str
    currency: str
    pricing: Pricing


INVENTED: Final = load("pricing", InventedPricing)
"""Holds for a shop that stated no pricing and counts in its currency; every figure is made up."""


def check_pricing(pricing: Pricing, currency: str, tax_names: frozenset[str], pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a shop's pricing.

    Args:
        pricing: what the shop states.
        currency: the shop's.
        tax_names: names of the shop's rates of tax.
        pointer: where the pricing stands.
    """
    for place, amount in _amounts(pricing):
        for fault in check_price(Money(amount=amount, currency=currency), ""):
            yield Fault(f"{pointer}/{place}", fault.detail)
    yield from _tiers(pricing, f"{pointer}/markup")
    yield from _discounts(pricing, f"{pointer}/discounts")
    if Decimal(pricing.deposit_percent) > 100:  # noqa: PLR2004 - the whole
        yield Fault(f"{pointer}/deposit_percent", "a deposit is at most 100 percent")
    for kind, name in _stated(pricing.tax_by_kind).items():
        if name not in tax_names:
            yield Fault(f"{pointer}/tax_by_kind/{kind}", f"there is no rate of tax named {name!r}")


def _stated(struct: LabourRates | TaxByKind) -> Mapping[str, str]:
    fields = msgspec.structs.asdict(struct)
    return {name: value for name, value in fields.items() if not isinstance(value, UnsetType)}


def _amounts(pricing: Pricing) -> Iterator[tuple[str, str]]:
    """Every amount stated, with its place."""
    for labour_class, rate in _stated(pricing.labour_rates).items():
        yield f"labour_rates/{labour_class}", rate
    sundries = pricing.sundries
    singles = {
        "minimum_labour": pricing.minimum_labour,
        "shipping": pricing.shipping,
        "return_shipping": pricing.return_shipping,
        "ceiling/round_up_to": pricing.ceiling.round_up_to,
        "sundries/cap": sundries.cap if isinstance(sundries, SundriesShare) else UNSET,
        "sundries/amount": sundries.amount if isinstance(sundries, SundriesFlat) else UNSET,
    } | {f"markup/{index}/up_to": tier.up_to for index, tier in enumerate(pricing.markup)}
    for place, amount in singles.items():
        if not isinstance(amount, UnsetType):
            yield place, amount


def _tiers(pricing: Pricing, pointer: str) -> Iterator[Fault]:
    for index, (tier, following) in enumerate(pairwise(pricing.markup)):
        if isinstance(tier.up_to, UnsetType):
            yield Fault(f"{pointer}/{index}/up_to", "only the last tier may hold for every cost")
        elif not isinstance(following.up_to, UnsetType) and Decimal(following.up_to) <= Decimal(tier.up_to):
            yield Fault(f"{pointer}/{index + 1}/up_to", "each tier must reach further than the one before it")
    if pricing.markup and not isinstance(pricing.markup[-1].up_to, UnsetType):
        yield Fault(f"{pointer}/{len(pricing.markup) - 1}/up_to", "the last tier must hold for every cost")


def _discounts(pricing: Pricing, pointer: str) -> Iterator[Fault]:
    names = [discount.name for discount in pricing.discounts]
    for index, name in enumerate(names):
        if name in names[:index]:
            yield Fault(f"{pointer}/{index}/name", f"{name!r} is given more than once")
    for kind in ("labour", "parts"):
        taken = sum(Decimal(discount.percent) for discount in pricing.discounts if discount.on in {kind, "all"})
        if taken > 100:  # noqa: PLR2004 - the whole
            yield Fault(pointer, f"discounts take {taken} percent off {kind}: more than there is")
