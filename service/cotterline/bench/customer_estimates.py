"""A kept estimate as its customer is asked about it: what each choice of options comes to, and up to what to agree.

Nothing is computed anew: all follows from figures that are kept with the revision, so what a customer sees is what was
quoted, whatever prices, times and code have become.

What several options change together is taken to be the sum of what each changes alone. Means add up so exactly, as far
as one option does not change what another needs. Amounts that suffice do so nearly: spreads of independent parts add up
to less than their sum, but each amount counts whole minutes, so the sum may lie about a minute's labour off the exact
distribution either way. The rule's rounding up is done once, on the sum.
"""

from collections.abc import Sequence
from fractions import Fraction
from math import ceil
from typing import Final

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Step, Trace
from cotterline.bench.estimates import DecisionCost, MoneyRange, Notice, OptionPrice
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money, in_minor_units, of_minor_units
from cotterline.bench.pricing.bill import Bill
from cotterline.bench.pricing.ceiling import CEILING_STEP, SHOP_RULE, Ceiling
from cotterline.bench.pricing.sourcing import MissingPrice

_SUM: Final = "a sum of what each option changes alone"


class KeptEstimate(msgspec.Struct, frozen=True, kw_only=True):
    """Of an estimate, what its customer sees; whatever else stands in it is passed over."""

    money: MoneyRange
    bill: Bill
    decision_points: tuple[DecisionCost, ...]
    options: tuple[OptionPrice, ...]
    missing_prices: tuple[MissingPrice, ...]
    notices: tuple[Notice, ...]
    ceiling: Ceiling | UnsetType = UNSET
    deposit: Money | UnsetType = UNSET


class KeptStep(msgspec.Struct, frozen=True):
    """Of a step of the plan, its words."""

    name: str


class KeptPlan(msgspec.Struct, frozen=True):
    """Of a plan, its steps."""

    steps: tuple[KeptStep, ...]


class KeptOffer(msgspec.Struct, frozen=True, kw_only=True):
    """Of a kept result, what its customer sees.

    Attributes:
        estimate: what it costs.
        plan: what is done.
        derivation: how the numbers came about.
    """

    estimate: KeptEstimate
    plan: KeptPlan
    derivation: tuple[Step, ...]


class _KeptResult(msgspec.Struct, frozen=True):
    """A kept result; one from before there were estimates has none."""

    estimate: KeptEstimate | UnsetType = UNSET
    plan: KeptPlan = KeptPlan(())
    derivation: tuple[Step, ...] = ()


def offer_of(result: bytes) -> KeptOffer | None:
    """What a kept result offers; nothing where it is from before there were estimates.

    >>> offer_of(b"{}") is None
    True
    """
    kept = msgspec.json.decode(result, type=_KeptResult)
    if isinstance(kept.estimate, UnsetType):
        return None
    return KeptOffer(estimate=kept.estimate, plan=kept.plan, derivation=kept.derivation)


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """What an estimate comes to with some of its options.

    Attributes:
        options: that are chosen, in the order of the estimate.
        expected: the mean.
        ceiling: up to what the customer is asked to agree; left out while a price is missing.
    """

    options: tuple[OptionId, ...]
    expected: Money
    ceiling: Money | UnsetType = UNSET


def open_options(estimate: KeptEstimate) -> tuple[OptionPrice, ...]:
    """The options a customer can still choose: not in the estimate yet, and priced in full."""
    return tuple(option for option in estimate.options if not (option.included or option.missing_prices))


def choice(offer: KeptOffer, wanted: Sequence[OptionId], trace: Trace) -> Choice:
    """What the estimate comes to with the options wanted; those that are not open are passed over.

    Args:
        offer: what was quoted.
        wanted: the options.
        trace: takes the mean and the ceiling.

    Raises:
        ValueError: there is a ceiling, and nothing says how it came about.
    """
    chosen = tuple(option for option in open_options(offer.estimate) if option.option in wanted)
    return Choice(
        options=tuple(option.option for option in chosen),
        expected=_expected(offer.estimate, chosen, trace),
        ceiling=_ceiling(offer, chosen, trace),
    )


def _expected(estimate: KeptEstimate, chosen: Sequence[OptionPrice], trace: Trace) -> Money:
    alone, more = _units(estimate.money.expected), sum(_units(option.expected_change) for option in chosen)
    trace.note(
        "expected with options, in minor units",
        "alone + more",
        float(alone + more),
        "minor units",
        _SUM,
        alone=float(alone),
        more=float(more),
    )
    return of_minor_units(int(alone + more), estimate.money.expected.currency)


def _ceiling(offer: KeptOffer, chosen: Sequence[OptionPrice], trace: Trace) -> Money | UnsetType:
    """The rule of the shop as it was applied to the estimate, on what suffices with the options."""
    if isinstance(offer.estimate.ceiling, UnsetType):
        return UNSET
    applied = _applied(offer.derivation)
    enough, step = Fraction(applied["enough"]), Fraction(applied["step"])
    more = sum((_units(option.p90_change) for option in chosen), Fraction(0))
    units = int(ceil((enough + more) / step) * step)
    trace.note(
        "ceiling with options, in minor units",
        "ceil((enough + more) / step) * step",
        float(units),
        "minor units",
        f"{SHOP_RULE}, on {_SUM}",
        enough=float(enough),
        more=float(more),
        step=float(step),
    )
    return of_minor_units(units, offer.estimate.ceiling.amount.currency)


def _applied(derivation: Sequence[Step]) -> dict[str, float]:
    """What the rule of the ceiling was applied to."""
    found = [step.inputs for step in derivation if step.name == CEILING_STEP]
    if not found:
        raise ValueError("nothing says how the ceiling came about")
    return found[-1]


def _units(money: Money) -> Fraction:
    return in_minor_units(money.amount, money.currency)
