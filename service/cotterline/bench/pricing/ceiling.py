"""The amount a customer is asked to approve, and the deposit on it, by the shop's rule."""

from fractions import Fraction
from math import ceil
from typing import Final

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.money import Money
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.total_cost import TotalCost
from cotterline.bench.quantity import probability

SHOP_RULE: Final = "the shop's own rule"
CEILING_STEP: Final = "ceiling in minor units"
"""Names the step of a derivation that holds what the rule was applied to; kept with every revision."""


class Ceiling(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The amount the customer is asked to approve.

    Attributes:
        amount: to approve.
        rule: how it follows from the range, in words.
        quantile: the share of such jobs the rule is made for.
        suffices: the probability that the amount is enough.
    """

    amount: Money
    rule: str
    quantile: float
    suffices: float


def ceiling_of(total: TotalCost, rules: PricingInForce, trace: Trace) -> Ceiling:
    """The quantile of the shop's rule, rounded up to a multiple of its step."""
    rule = rules.pricing.ceiling
    enough = total.quantile(rule.quantile)
    step = max(rules.units(rule.round_up_to), Fraction(1))
    units = rules.units(enough.amount)
    amount = rules.money(int(ceil(units / step) * step))
    trace.note(
        CEILING_STEP,
        "ceil(enough / step) * step",
        float(rules.units(amount.amount)),
        "minor units",
        SHOP_RULE,
        enough=float(units),
        step=float(step),
    )
    multiple = "the smallest coin" if Fraction(rule.round_up_to) == 0 else f"a multiple of {rule.round_up_to}"
    words = f"Enough with probability {rule.quantile:g}: {enough.amount}, rounded up to {multiple}."
    return Ceiling(amount=amount, rule=words, quantile=rule.quantile, suffices=probability(total.suffices(amount)))


def deposit_on(ceiling: Ceiling | UnsetType, rules: PricingInForce, trace: Trace) -> Money | UnsetType:
    """The share of the ceiling asked for beforehand; nothing where there is no ceiling, or the shop asks for none."""
    percent = Fraction(rules.pricing.deposit_percent)
    if isinstance(ceiling, UnsetType) or percent == 0:
        return UNSET
    units = rules.units(ceiling.amount.amount)
    trace.note(
        "deposit in minor units, before rounding",
        "ceiling * percent / 100",
        float(units * percent / 100),
        "minor units",
        SHOP_RULE,
        ceiling=float(units),
        percent=float(percent),
    )
    return rules.money(rules.nearest(units * percent / 100))
