"""What a whole job costs, as an exact distribution: the rules of the bill laid over what the work costs.

The rules never lower a total when labour or exchanges grow, so the quantile of the total is the total at a point of the
distribution; that point is billed again in exact fractions and rounded as the shop rounds.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property, reduce
from typing import Final

import numpy as np
from msgspec import UNSET, UnsetType
from numpy.typing import NDArray

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.outlines import Case, Outline
from cotterline.bench.labour.work import Work, workload_of
from cotterline.bench.money import Money, nearest
from cotterline.bench.pricing.bill import MINUTES_AN_HOUR, Bill, Charged, bill
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.rules import BillKind, SundriesFlat, SundriesShare
from cotterline.bench.pricing.sourcing import Basket
from cotterline.bench.pricing.work_cost import PARTS_OF_A_MINOR_UNIT, WorkCost, fits, work_cost
from cotterline.bench.remembering import remembering

_SLACK: Final = 1e-12
"""Sums of masses are rounded: a quantile is not moved by less than this."""

_MOST_CASES: Final = 1024
"""Most outlines whose cost is remembered, some tens of kilobytes each."""

_MOST_BILLS: Final = 512
"""Most bills remembered: of a shop's usual jobs, whose minutes are whole, the same come again."""

_MOST_TARIFFS: Final = 64
"""Most sums for parts whose rules are remembered: most jobs of a shop are fitted with one of a few units."""

_MOST_AMOUNTS: Final = 4096
"""Most amounts a tariff remembers: labour is paid by the minute, so that the same come again."""

_MOST_ADDED: Final = 256
"""Most sums that a decision may add: of a shop's book there are as many as minutes to ask again about."""

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

    def costs(self, labour: NDArray[np.float64], exchanges: NDArray[np.int64]) -> NDArray[np.float64]:
        """What of many totals depends on the work, in floating point."""
        kept = float(self.labour_kept) * np.maximum(labour, float(self.minimum))
        cap = np.inf if self.sundries_cap is None else float(self.sundries_cap)
        sundries = np.minimum(float(self.sundries_share) * kept, cap)
        sums = float(self.labour_tax) * kept + float(self.sundries_tax) * sundries
        outcome: NDArray[np.float64] = sums + float(self.exchange) * exchanges
        return outcome


def terms(basket: Basket, rules: PricingInForce) -> Terms:
    """The rules of a bill for a job with these parts."""
    return _terms(_charged(basket, rules), rules, deliveries=int(bool(basket.lines)), returns=basket.returns)


def _charged(basket: Basket, rules: PricingInForce) -> Fraction:
    """What the parts come to, in minor units."""
    return sum((rules.units(line.unit_price.amount) * line.quantity for line in basket.lines), Fraction(0))


def _terms(parts: Fraction, rules: PricingInForce, *, deliveries: int, returns: int) -> Terms:
    pricing = rules.pricing
    parts_kept = _kept("parts", rules) * parts
    out, back = _price(pricing.shipping, rules), _price(pricing.return_shipping, rules)
    sent = out * deliveries + back * returns
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


class CaseCosts:
    """What some work costs by a shop's rules in each case of what is left open, apart from what no work changes.

    Args:
        cases: the cost of the work in each case.
        by: the shop's rules as numbers; their constant is left out.

    Attributes:
        labour: in sixtieths of a minor unit, in ascending order of what the work costs.
        exchanges: how often a spindle is sent back, in the same order.
        costs: what the work costs in minor units before rounding, ascending.
        reached: for each case, the probability that each suffices in it.
        means: of what the work costs in each case.
        grid_minutes: the grid the minutes were laid on.
    """

    def __init__(self, cases: Sequence[WorkCost], by: Terms) -> None:
        labour = np.concatenate([case.labour for case in cases])
        exchanges = np.concatenate([case.exchanges for case in cases])
        found = by.costs(labour / PARTS_OF_A_MINOR_UNIT, exchanges)
        order = np.argsort(found, kind="stable")
        numbers = np.repeat(np.arange(len(cases)), [len(case.mass) for case in cases])
        mass = np.concatenate([case.mass for case in cases])
        masses = np.zeros((len(cases), len(mass)))
        masses[numbers, np.arange(len(mass))] = mass
        self.costs: NDArray[np.float64] = found[order]
        self.labour: NDArray[np.int64] = labour[order]
        self.exchanges: NDArray[np.int8] = exchanges[order].astype(np.int8)
        self.reached: NDArray[np.float64] = masses[:, order].cumsum(axis=1)
        self.means: NDArray[np.float64] = np.bincount(numbers, found * mass).astype(np.float64, copy=False)
        self.grid_minutes = max(case.grid_minutes for case in cases)


class Tariff:
    """A shop's rules for a job with certain parts, as they make amounts.

    Attributes:
        terms: the rules as numbers.
        rules: of the shop.
    """

    def __init__(self, by: Terms, rules: PricingInForce) -> None:
        self.terms = by
        self.rules = rules
        self.units = remembering(self._units, _MOST_AMOUNTS)
        self.added = remembering(self._added, _MOST_ADDED)

    @cached_property
    def constant(self) -> float:
        """What does not depend on the work, in floating point."""
        return float(self.terms.constant)

    def _units(self, labour: int, exchanges: int) -> int:
        """What is to be paid for labour in sixtieths of a minor unit and some exchanges: exact, and rounded once."""
        return self.rules.nearest(self.terms.total(Fraction(labour, PARTS_OF_A_MINOR_UNIT), exchanges))

    def _added(self, labour_class: LabourClass, minutes: int, *, exchanged: bool) -> Money | UnsetType:
        """What more minutes and an exchange add, sundries apart; nothing where no rate is stated."""
        rate = self.rules.hourly(labour_class)
        if rate is None:
            return UNSET
        labour = self.terms.labour_kept * self.terms.labour_tax * rate * minutes / MINUTES_AN_HOUR
        return self.rules.money(self.rules.nearest(labour + (self.terms.exchange if exchanged else 0)))


class TotalCost:
    """The distribution of what the whole job costs.

    Args:
        cases: what its work costs, by case.
        weights: the probability of each case.
        tariff: by which amounts are made.

    Attributes:
        terms: the rules it was made by.
        reached: the probability that each total suffices.
        grid_minutes: the grid the minutes were laid on.
    """

    def __init__(self, cases: CaseCosts, weights: NDArray[np.float64], tariff: Tariff) -> None:
        self.terms = tariff.terms
        # Row by row: there are few, and a product of matrices would start threads for no more than this.
        rows = (weight * row for weight, row in zip(weights.tolist(), cases.reached, strict=True))
        self.reached: NDArray[np.float64] = reduce(np.add, rows)
        self.grid_minutes = cases.grid_minutes
        self._cases = cases
        self._weights = weights
        self._tariff = tariff

    @cached_property
    def totals(self) -> NDArray[np.float64]:
        """In minor units before rounding, ascending."""
        return self._cases.costs + self._tariff.constant

    @property
    def expected(self) -> Money:
        """The mean, rounded as the shop rounds."""
        return self._tariff.rules.money(self.expected_units)

    @cached_property
    def expected_units(self) -> int:
        """The mean in minor units."""
        # To a millionth of a minor unit, which floating point is good for: a half stays a half.
        mean = float(self._weights @ self._cases.means) + self._tariff.constant
        millionths = int(f"{mean:.6f}".replace(".", ""))
        return nearest(millionths, 10**6, self._tariff.rules.pricing.rounding.mode)

    def quantile(self, share: float) -> Money:
        """The smallest total that suffices with probability ``share``, exact and then rounded as the shop rounds."""
        return self.quantiles((share,))[0]

    def quantiles(self, shares: Sequence[float]) -> tuple[Money, ...]:
        """Each share's quantile."""
        return tuple(map(self._tariff.rules.money, self.units(shares)))

    @cached_property
    def p90_units(self) -> int:
        """What suffices with probability 0.9, in minor units."""
        return self.units((0.9,))[0]

    def units(self, shares: Sequence[float]) -> tuple[int, ...]:
        """Each share's quantile in minor units."""
        found = self.reached.searchsorted([share - _SLACK for share in shares])
        at = np.minimum(found, len(self.reached) - 1)
        points = zip(self._cases.labour[at].tolist(), self._cases.exchanges[at].tolist(), strict=True)
        return tuple(self._tariff.units(labour, exchanges) for labour, exchanges in points)

    @property
    def curve(self) -> tuple[Money, ...]:
        """The quantiles at ``EVEN_SHARES``: twenty totals, each as likely as any other."""
        return self.quantiles(EVEN_SHARES)

    def suffices(self, amount: Money) -> float:
        """The probability that ``amount`` is enough; half a minor unit is forgiven, as totals are rounded."""
        limit = float(self._tariff.rules.units(amount.amount)) + 0.5
        count = int(self.totals.searchsorted(limit, side="right"))
        return float(self.reached[count - 1]) if count else 0.0

    @property
    def mass(self) -> NDArray[np.float64]:
        """The probability of each total."""
        return np.diff(self.reached, prepend=0.0)


class Prices:
    """A shop's rules with what follows from them and its work alone, worked out once for all its jobs.

    Args:
        rules: of the shop.
    """

    def __init__(self, rules: PricingInForce) -> None:
        self.rules = rules
        self._bare = terms(Basket(), rules)
        self._tariff = remembering(self._tariff_for, _MOST_TARIFFS)
        self._cases = remembering(self._priced, _MOST_CASES)
        self._billed = remembering(self._bill, _MOST_BILLS)

    def total(self, work: Work, basket: Basket) -> TotalCost:
        """What a job costs with these parts."""
        cases = self._cases(work.outline)
        if cases is None:
            return self.total_of(work_cost(work.load, self.rules.rated), basket)
        return TotalCost(cases, work.weights, self.tariff(basket))

    def total_of(self, cost: WorkCost, basket: Basket) -> TotalCost:
        """What some work of a known cost comes to with these parts."""
        return TotalCost(CaseCosts([cost], self._bare), np.ones(1), self.tariff(basket))

    def tariff(self, basket: Basket) -> Tariff:
        """The rules for a job with these parts."""
        return self._tariff(_charged(basket, self.rules), bool(basket.lines), basket.returns)

    def bill(self, minutes: Mapping[LabourClass, int], basket: Basket) -> Bill:
        """The bill for minutes of each class and these parts, if no spindle is sent back."""
        return self._billed(tuple(minutes.items()), basket)

    def _bill(self, minutes: tuple[tuple[LabourClass, int], ...], basket: Basket) -> Bill:
        return bill(Charged(minutes=dict(minutes), basket=basket), self.rules)

    def _tariff_for(self, parts: Fraction, delivered: bool, returns: int) -> Tariff:  # noqa: FBT001 - a key
        return Tariff(_terms(parts, self.rules, deliveries=int(delivered), returns=returns), self.rules)

    def _priced(self, outline: Outline) -> CaseCosts | None:
        """The cost of each case, or nothing where the work may need a coarser grid, which only all of it can tell."""
        if not outline.cases:
            return None
        if not fits(outline.tasks):
            whole = work_cost(workload_of(outline.tasks), self.rules.rated)
            if whole.grid_minutes > 1:
                return None
        return CaseCosts([_cost_of(case, self.rules) for case in outline.cases], self._bare)


def _cost_of(case: Case, rules: PricingInForce) -> WorkCost:
    cost = work_cost(case.load, rules.rated)
    return replace(cost, exchanges=cost.exchanges + case.exchanges)


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
