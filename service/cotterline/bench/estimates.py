"""What a planned job will cost: a range, what it comes from, the ceiling to ask for, and where to ask again.

The range is an exact distribution (``pricing/total_cost.py``); nothing is sampled. A price nobody has stated is named
and left out, and then no ceiling is named: a sum that leaves something out is nothing to approve.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil
from typing import Annotated, Final, Literal, NamedTuple, get_args

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import LabourClass, OptionId
from cotterline.bench.labour.work import Job, Work, with_ordered
from cotterline.bench.money import Money
from cotterline.bench.plan import DecisionPoint, JobOption, MinuteRange, Plan, with_and_without, workload
from cotterline.bench.pricing.bill import MINUTES_AN_HOUR, Bill
from cotterline.bench.pricing.ceiling import SHOP_RULE, Ceiling, ceiling_of, deposit_on
from cotterline.bench.pricing.in_force import PricingGrade, PricingInForce
from cotterline.bench.pricing.money_drivers import MoneyDriver, money_drivers
from cotterline.bench.pricing.rules import BillKind
from cotterline.bench.pricing.sourcing import Basket, MissingPrice, SourcedLine, SourcedParts, basket
from cotterline.bench.pricing.total_cost import EVEN_SHARES, Prices, Tariff, TotalCost

NoticeCode = Literal[
    "local-law",
    "not-a-fixed-price",
    "ask-beyond",
    "no-exchange-in-bill",
    "invented-pricing",
    "no-pricing",
    "prices-missing",
    "before-ordering",
    "no-tax-rate",
    "coarser-minutes",
]


class Notice(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What must be said beside the figures, with a code for programs."""

    code: NoticeCode
    text: str


class _Notices(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    notice: tuple[Notice, ...]


NOTICES: Final[Mapping[NoticeCode, Notice]] = {row.code: row for row in load("notices", _Notices).notice}


class MoneyRange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a job comes to: totals that suffice with probability 0.1, 0.5 and 0.9, and the mean.

    Attributes:
        p10: enough with probability 0.1.
        p50: enough with probability 0.5.
        p90: enough with probability 0.9.
        expected: the mean.
        complete: whether everything is in it; otherwise ``missing_prices`` says what is not.
        curve: twenty totals, each as likely as any other: they suffice with probability 0.025, 0.075 and so on to
            0.975. Empty where an estimate was kept before there was a curve.
    """

    p10: Money
    p50: Money
    p90: Money
    expected: Money
    complete: bool
    curve: Annotated[tuple[Money, ...], msgspec.Meta(max_length=20)] = ()


class DecisionCost(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What it adds to the bill if work comes to where the customer is asked again.

    Attributes:
        step: number of the step it can happen at.
        contingency: its id in the labour book.
        found: what is found, in words.
        question: what the customer is asked.
        chance: that it comes to this.
        extra_p50: enough with probability 0.5; sundries apart. Left out where a price is missing.
        extra_p90: enough with probability 0.9, likewise.
    """

    step: int
    contingency: str
    found: str
    question: str
    chance: float
    extra_p50: Money | UnsetType = UNSET
    extra_p90: Money | UnsetType = UNSET


class OptionPrice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the job comes to with an option and without it; everything else stays as it is.

    Attributes:
        option: its id.
        name: in words.
        included: whether the estimate has it already.
        expected_with: mean of the total with it.
        expected_without: mean of the total without it.
        expected_change: by how much it changes the mean.
        p90_change: by how much it changes what suffices with probability 0.9.
        missing_prices: what the option needs and nobody has a price for; the sums leave it out.
    """

    option: OptionId
    name: str
    included: bool
    expected_with: Money
    expected_without: Money
    expected_change: Money
    p90_change: Money
    missing_prices: tuple[MissingPrice, ...]


class Estimate(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a planned job will cost.

    Attributes:
        minutes: how long the work takes.
        money: what is to be paid, tax as the shop's prices have it.
        ceiling: what to ask the customer for; left out while a price is missing.
        deposit: what is asked for beforehand; left out while a price is missing, or where the shop asks for none.
        bill: for the expected work if no spindle is sent back.
        parts: that are charged or ordered to be tried, and of whom.
        drivers: what the spread comes from, largest share first.
        decision_points: where the customer is asked again, and what it would add.
        options: priced side by side.
        missing_prices: what no sum has in it.
        pricing: whose rules these are.
        notices: what must be said beside the figures.
    """

    minutes: MinuteRange
    money: MoneyRange
    ceiling: Ceiling | UnsetType = UNSET
    deposit: Money | UnsetType = UNSET
    bill: Bill
    parts: tuple[SourcedLine, ...]
    drivers: tuple[MoneyDriver, ...]
    decision_points: tuple[DecisionCost, ...]
    options: tuple[OptionPrice, ...]
    missing_prices: tuple[MissingPrice, ...]
    pricing: PricingGrade
    notices: tuple[Notice, ...]


NO_PARTS: Final = SourcedParts()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedJob:
    """A job, its plan and its parts.

    Attributes:
        job: what the plan was made from.
        plan: of it, with the options wanted.
        wanted: options the customer wants.
        parts: of the parts list, as found in catalogue and price lists.
        option_parts: what an option needs besides.
    """

    job: Job
    plan: Plan
    wanted: Sequence[OptionId] = ()
    parts: SourcedParts = field(default_factory=SourcedParts)
    option_parts: Mapping[OptionId, SourcedParts] = field(default_factory=dict)

    def parts_with(self, wanted: Sequence[OptionId]) -> SourcedParts:
        """All parts of the job with these options."""
        if not self.option_parts:
            return self.parts
        groups = [self.parts, *(self.option_parts[name] for name in wanted if name in self.option_parts)]
        return SourcedParts(
            lines=tuple(line for group in groups for line in group.lines),
            missing=tuple(item for group in groups for item in group.missing),
        )


def estimate(planned: PlannedJob, prices: Prices, trace: Trace) -> Estimate:
    """Price a planned job.

    Args:
        planned: the job, its plan and its parts.
        prices: the shop's currency, tax and pricing.
        trace: takes the labour of the bill, the ceiling and the deposit.
    """
    rules = prices.rules
    work, parts = workload(planned.job, planned.wanted), planned.parts_with(planned.wanted)
    totals = _Totals(planned, prices)
    sold = totals.sold(planned.wanted, with_ordered(planned.job.facts, planned.wanted))
    total, kept, tariff = totals.of(work, sold), sold.basket, sold.tariff
    missing = (*parts.missing, *_unsourced(planned), *_unpriced(work, kept, rules))
    ceiling = UNSET if missing else ceiling_of(total, rules, trace)
    return Estimate(
        minutes=planned.plan.minutes,
        money=_range(total, complete=not missing),
        ceiling=ceiling,
        deposit=deposit_on(ceiling, rules, trace),
        bill=_expected_bill(work, kept, prices, trace),
        parts=parts.lines,
        drivers=money_drivers(work, total.terms, rules),
        decision_points=tuple(_decision(point, planned.plan, tariff) for point in planned.plan.decision_points),
        options=tuple(_option(option, planned, totals, rules) for option in planned.plan.options),
        missing_prices=missing,
        pricing=rules.grade,
        notices=tuple(NOTICES[code] for code in _notices(planned, rules, missing, total.grid_minutes)),
    )


def _range(total: TotalCost, *, complete: bool) -> MoneyRange:
    p10, p50, p90, *curve = total.quantiles((0.1, 0.5, 0.9, *EVEN_SHARES))
    return MoneyRange(p10=p10, p50=p50, p90=p90, expected=total.expected, complete=complete, curve=tuple(curve))


def _unsourced(planned: PlannedJob) -> Iterator[MissingPrice]:
    """The whole parts list, where a unit is to be fitted and nobody looked for its price."""
    if planned.job.facts.ordering_allowed and planned.parts == NO_PARTS:
        yield MissingPrice(what="The parts to order", why="They were not looked up in any price list.")


def _unpriced(load: Work, kept: Basket, rules: PricingInForce) -> Iterator[MissingPrice]:
    """Labour without a rate, and deliveries without a price."""
    worked = {name: mean for name, mean in load.fixed_means.items() if mean > 0}
    worked |= {risk.labour_class: 1.0 for risk in load.with_cost if risk.chance > 0}
    for name in sorted(worked.keys() - rules.rated.keys()):
        yield MissingPrice(what=f"Labour: {name}", why="No hourly rate is set for this class of labour.")
    exchanged = any(risk.chance > 0 for risk in load.with_cost)
    if (kept.lines or exchanged) and isinstance(rules.pricing.shipping, UnsetType):
        yield MissingPrice(what="Delivery of parts", why="No price is set for it.")
    if (kept.returns or exchanged) and isinstance(rules.pricing.return_shipping, UnsetType):
        yield MissingPrice(what="Sending a spindle back", why="No price is set for it.")


def _expected_bill(load: Work, kept: Basket, prices: Prices, trace: Trace) -> Bill:
    """For the mean minutes of each class, each rounded up to a whole minute."""
    minutes: dict[LabourClass, int] = {}
    for name, mean in load.fixed_means.items():
        minutes[name] = ceil(round(mean, 6))
        rate = prices.rules.hourly(name)
        if trace.wanted and rate is not None:
            trace.note(
                f"expected labour, {name}, in minor units before rounding",
                "minutes * rate / 60",
                float(rate * minutes[name] / MINUTES_AN_HOUR),
                "minor units",
                SHOP_RULE,
                minutes=minutes[name],
                rate=float(rate),
            )
    return prices.bill(minutes, kept)


def _decision(point: DecisionPoint, planned: Plan, tariff: Tariff) -> DecisionCost:
    step = planned.steps[point.step - 1]
    exchanged = any(row.contingency == point.contingency and row.cost == "exchange" for row in step.contingencies)
    return DecisionCost(
        step=point.step,
        contingency=point.contingency,
        found=point.found,
        question=point.question,
        chance=point.chance,
        extra_p50=tariff.added(step.labour_class, point.extra_p50, exchanged=exchanged),
        extra_p90=tariff.added(step.labour_class, point.extra_p90, exchanged=exchanged),
    )


class Sold(NamedTuple):
    """The parts that are charged, and the rules for a job with them."""

    basket: Basket
    tariff: Tariff


class _Totals:
    """What a planned job costs with any options, each reckoned once."""

    def __init__(self, planned: PlannedJob, prices: Prices) -> None:
        self._planned = planned
        self._prices = prices
        self._sold: dict[tuple[tuple[OptionId, ...], bool], Sold] = {}
        self._found: dict[tuple[Work, Tariff], TotalCost] = {}

    def sold(self, wanted: Sequence[OptionId], chosen: frozenset[OptionId]) -> Sold:
        """The parts of the options wanted; with a second spindle ordered to be tried, one goes back."""
        two, extra = "second_spindle" in chosen, self._planned.option_parts
        key = tuple(name for name in wanted if name in extra), two
        if key not in self._sold:
            kept = basket(self._planned.parts_with(wanted).lines)
            returns = max(kept.returns, 1) if two and kept.lines else 0
            kept = kept if kept.returns == returns else replace(kept, returns=returns)
            self._sold[key] = Sold(kept, self._prices.tariff(kept))
        return self._sold[key]

    def of(self, work: Work, sold: Sold) -> TotalCost:
        """What this work costs with these parts."""
        key = work, sold.tariff
        if key not in self._found:
            self._found[key] = self._prices.total(work, sold.basket)
        return self._found[key]


def _option(option: JobOption, planned: PlannedJob, totals: _Totals, rules: PricingInForce) -> OptionPrice:
    name = option.option
    rest = [each for each in planned.wanted if each != name]
    others = with_ordered(planned.job.facts, rest) - {name}
    loads = with_and_without(name, planned.job, planned.wanted)
    parts = totals.sold([*rest, name], others | {name}), totals.sold(rest, others)
    with_it, without = (totals.of(load, sold) for load, sold in zip(loads, parts, strict=True))
    extra = planned.option_parts.get(name, NO_PARTS)
    return OptionPrice(
        option=name,
        name=option.name,
        included=option.included,
        expected_with=with_it.expected,
        expected_without=without.expected,
        expected_change=rules.money(with_it.expected_units - without.expected_units),
        p90_change=rules.money(with_it.p90_units - without.p90_units),
        missing_prices=extra.missing,
    )


def _notices(
    planned: PlannedJob, rules: PricingInForce, missing: Sequence[MissingPrice], grid_minutes: int
) -> Iterator[NoticeCode]:
    yield from ("local-law", "not-a-fixed-price", "ask-beyond")
    if any(row.cost == "exchange" for step in planned.plan.steps for row in step.contingencies):
        yield "no-exchange-in-bill"
    if rules.grade == "invented":
        yield "invented-pricing"
    if rules.grade == "none":
        yield "no-pricing"
    if missing:
        yield "prices-missing"
    if not planned.job.facts.ordering_allowed:
        yield "before-ordering"
    if any(rules.tax_on(kind) is None for kind in get_args(BillKind)):
        yield "no-tax-rate"
    if grid_minutes > 1:
        yield "coarser-minutes"
