"""The rules a shop's estimates are priced by: its own, or invented ones that say so."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal, get_args

from msgspec import UnsetType

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.money import Money, in_minor_units, of_minor_units, whole
from cotterline.bench.pricing.rules import INVENTED, BillKind, Pricing
from cotterline.bench.shop_profile import ShopProfile, Tax, TaxRate

PricingGrade = Literal["own", "invented", "none"]


@dataclass(frozen=True, kw_only=True)
class PricingInForce:
    """How amounts are made, and where that comes from.

    Attributes:
        pricing: the rules.
        currency: every amount is in it.
        tax: how prices carry tax.
        grade: ``own`` rules of the shop, the ``invented`` ones, or ``none`` where it stated none and counts in a
            currency the invented ones are not in.
    """

    pricing: Pricing
    currency: str
    tax: Tax
    grade: PricingGrade

    def units(self, amount: str) -> Fraction:
        """An amount of the rules in minor units."""
        return in_minor_units(amount, self.currency)

    def nearest(self, units: Fraction) -> int:
        """Minor units, rounded as the shop rounds."""
        return whole(units, self.pricing.rounding.mode)

    def money(self, units: int) -> Money:
        """Minor units as an amount."""
        return of_minor_units(units, self.currency)

    def hourly(self, labour_class: LabourClass) -> Fraction | None:
        """What an hour costs in minor units; nothing where no rate is stated."""
        return self.rated.get(labour_class)

    @cached_property
    def rated(self) -> Mapping[LabourClass, Fraction]:
        """The hourly rate of every class that has one."""
        rates = {name: getattr(self.pricing.labour_rates, name) for name in get_args(LabourClass)}
        return {name: self.units(rate) for name, rate in rates.items() if not isinstance(rate, UnsetType)}

    def tax_on(self, kind: BillKind) -> TaxRate | None:
        """The rate of tax that a kind of line carries, if any."""
        return self._taxed[kind]

    @cached_property
    def _taxed(self) -> Mapping[BillKind, TaxRate | None]:
        rates = {rate.name: rate for rate in reversed(self.tax.rates)}
        return {kind: rates.get(getattr(self.pricing.tax_by_kind, kind)) for kind in get_args(BillKind)}


def in_force(profile: ShopProfile) -> PricingInForce:
    """The rules for a shop.

    >>> in_force(ShopProfile()).grade, in_force(ShopProfile(currency="CHF")).grade
    ('invented', 'none')
    """
    pricing, grade = _stated(profile)
    return PricingInForce(pricing=pricing, currency=profile.currency, tax=profile.tax, grade=grade)


def _stated(profile: ShopProfile) -> tuple[Pricing, PricingGrade]:
    if not isinstance(profile.pricing, UnsetType):
        return profile.pricing, "own"
    return (INVENTED.pricing, "invented") if profile.currency == INVENTED.currency else (Pricing(), "none")
