"""What a whole job costs, as an exact distribution: the rules of the bill laid over what the work costs.

The rules never lower a total when labour or exchanges grow, so the quantile of the total is the total at a point of the
distribution; that point is billed again in exact fractions and rounded as the shop rounds.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Final

import numpy as np
from msgspec import UnsetType
from numpy.typing import NDArray

from cotterline.bench.money import Money
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.rules import BillKind, SundriesFlat, SundriesShare
from cotterline.bench.pricing.sourcing import Basket
from cotterline.bench.pricing.work_cost import PARTS_OF_A_MINOR_UNIT, WorkCost

_SLACK: Final = 1e-12
"""Sums of masses are rounded: a quantile is not moved by less than this."""

EVEN_SHARES: Final = tuple((2 * number + 1) / 40 for number in range(20))
"""The middles of twenty equal parts of all probability: 0.025, 0.075 and so on to 0.975."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """The rules of a bill as numbers, in minor units and before rounding.

    Attributes:
        minimum: the least that labour is charged.
        labour_kept: the share of labour that discounts leave.
        labour_tax: what labour is multiplied by for tax added to it.
        sundries_share: of labour kept.
        sundries_cap: the most that share comes to.
        sundries_tax: as ``labour_tax``.
        exchange: what one exchange costs, with tax.
        constant: what does not depend on the work, with tax.
    """

    minimum: Fraction
    labour_kept: Fraction
    labour_tax: Fraction
    sundries_share: Fraction
    sundries_cap: Fraction | None
    sundries_tax: Fraction
    exchange: Fraction
    constant: Fraction

    def total(self, labour: Fraction, exchanges: int) -> Fraction:
        """The exact total."""
        kept = self.labour_kept * max(labour, self.minimum)
        sundries = self.sundries_share * kept
        if self.sundries_cap is not None:
            sundries = min(sundries, self.sundries_cap)
        return self.labour_tax * kept + self.sundries_tax * sundries + self.exchange * exchanges + self.constant

    def totals(self, labour: NDArray[np.float64], exchanges: NDArray[np.int64]) -> NDArray[np.float64]:
        """The totals of many, in floating point."""
        kept = float(self.labour_kept) * np.maximum(labour, float(self.minimum))
        cap = np.inf if self.sundries_cap is None else float(self.sundries_cap)
        sundries = np.minimum(float(self.sundries_share) * kept, cap)
        sums = float(self.labour_tax) * kept + float(self.sundries_tax) * sundries
        outcome: NDArray[np.float64] = sums + float(self.exchange) * exchanges + float(self.constant)
        return outcome


def terms(basket: Basket, rules: PricingInForce) -> Terms:
    """The rules of a bill for a job with these parts."""
    pricing = rules.pricing
    cost = sum((rules.units(line.unit_price.amount) * line.quantity for line in basket.lines), Fraction(0))
    parts_kept = _kept("parts", rules) * cost
    out, back = _price(pricing.shipping, rules), _price(pricing.return_shipping, rules)
    sent = (out if basket.lines else 0) + back * basket.returns
    share, cap, fixed = _sundries(parts_kept, rules)
    in_parts, in_sundries, in_shipping = (_tax_on(kind, rules) for kind in ("parts", "sundries", "shipping"))
    return Terms(
        minimum=rules.units(pricing.minimum_labour) if rules.rated else Fraction(0),
        labour_kept=_kept("labour", rules),
        labour_tax=_tax_on("labour", rules),
        sundries_share=share,
        sundries_cap=cap,
        sundries_tax=in_sundries,
        exchange=(out + back) * in_shipping,
        constant=parts_kept * in_parts + fixed * in_sundries + sent * in_shipping,
    )


class TotalCost:
    """The distribution of what the whole job costs.

    Attributes:
        terms: the rules it was made by.
        totals: in minor units before rounding, ascending.
        mass: the probability of each.
    """

    def __init__(self, work: WorkCost, basket: Basket, rules: PricingInForce) -> None:
        self.terms = terms(basket, rules)
        found = self.terms.totals(work.labour / PARTS_OF_A_MINOR_UNIT, work.exchanges)
        self._order = np.argsort(found, kind="stable")
        self.totals: NDArray[np.float64] = found[self._order]
        self.mass: NDArray[np.float64] = work.mass[self._order]
        self._work = work
        self._rules = rules

    @property
    def expected(self) -> Money:
        """The mean, rounded as the shop rounds."""
        # To a millionth of a minor unit, which floating point is good for: a half stays a half.
        return self._money(Fraction(f"{float(self.totals @ self.mass):.6f}"))

    def quantile(self, share: float) -> Money:
        """The smallest total that suffices with probability ``share``, exact and then rounded as the shop rounds."""
        at = int(np.searchsorted(self._reached, share - _SLACK))
        point = self._order[min(at, len(self._order) - 1)]
        labour = Fraction(int(self._work.labour[point]), PARTS_OF_A_MINOR_UNIT)
        return self._money(self.terms.total(labour, int(self._work.exchanges[point])))

    @property
    def curve(self) -> tuple[Money, ...]:
        """The quantiles at ``EVEN_SHARES``: twenty totals, each as likely as any other."""
        return tuple(map(self.quantile, EVEN_SHARES))

    def suffices(self, amount: Money) -> float:
        """The probability that ``amount`` is enough; half a minor unit is forgiven, as totals are rounded."""
        limit = float(self._rules.units(amount.amount)) + 0.5
        return float(self.mass[self.totals <= limit].sum())

    @cached_property
    def _reached(self) -> NDArray[np.float64]:
        """The probability that each total suffices."""
        return np.cumsum(self.mass)

    def _money(self, units: Fraction) -> Money:
        return self._rules.money(self._rules.nearest(units))


def _kept(kind: BillKind, rules: PricingInForce) -> Fraction:
    """The share of a price that discounts leave."""
    taken = sum((Fraction(item.percent) for item in rules.pricing.discounts if item.on in {kind, "all"}), Fraction(0))
    return 1 - taken / 100


def _tax_on(kind: BillKind, rules: PricingInForce) -> Fraction:
    """What a price is multiplied by for tax that is added to it."""
    rate = rules.tax_on(kind)
    return Fraction(1) if rate is None or rules.tax.prices == "included" else 1 + Fraction(rate.percent) / 100


def _price(amount: str | UnsetType, rules: PricingInForce) -> Fraction:
    return Fraction(0) if isinstance(amount, UnsetType) else rules.units(amount)


def _sundries(parts_kept: Fraction, rules: PricingInForce) -> tuple[Fraction, Fraction | None, Fraction]:
    """The share of labour that sundries are, the most they come to, and what they are whatever the labour."""
    rule = rules.pricing.sundries
    if isinstance(rule, SundriesFlat):
        return Fraction(0), None, rules.units(rule.amount)
    if not isinstance(rule, SundriesShare):
        return Fraction(0), None, Fraction(0)
    share = Fraction(rule.percent) / 100
    cap = None if isinstance(rule.cap, UnsetType) else rules.units(rule.cap)
    if rule.of == "labour":
        return share, cap, Fraction(0)
    amount = share * parts_kept
    return Fraction(0), None, amount if cap is None else min(amount, cap)
