"""Order one spindle, or two and return one: expected cost and days of either, and which to prefer.

Both lengths are tried on the same bike with the same crank, so one error decides over both: the chance that one of
them fits is the normal measure of the union of their intervals, not a product of independent chances.
"""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Annotated, Final, Literal

import msgspec

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.money import Money, check_price, rounded
from cotterline.bench.quantity import Length, probability, within

PolicyName = Literal["order_one", "order_two_return_one"]

AFTER_A_MISS = (
    "After a miss the chain line is measured on the fitted spindle, so one further order is taken to be right. "
    "A returned unit is refunded in full and costs its return."
)

_PRICES = ("unit_price", "shipping", "return_cost")
_TRADE = "common practice, no source"
_EXPECTATION = "expectation over hit and miss"


class _TwoAtOnce(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    one_below: float
    gain_least: float
    source: str
    grade: str


class _MeasureAgain(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    below: float
    source: str
    grade: str


class _Thresholds(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    two_at_once: _TwoAtOnce
    measure_again: _MeasureAgain


_LIMITS = load("order_policy", _Thresholds)

ONE_IS_ENOUGH: Final = _LIMITS.two_at_once.one_below
"""The chance of landing within the tolerance from which one length alone is worth an order."""


class OrderCosts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What an order costs. Leave out what is not known: it is then said, never taken as zero.

    Attributes:
        unit_price: of one spindle or unit.
        shipping: of one order, however many units are in it.
        return_cost: all it takes to send one unit back, restocking included.
        lead_days: from order to bench.
        day_cost: what a day of waiting is worth to the shop.
    """

    unit_price: Money | msgspec.UnsetType = msgspec.UNSET
    shipping: Money | msgspec.UnsetType = msgspec.UNSET
    return_cost: Money | msgspec.UnsetType = msgspec.UNSET
    lead_days: Annotated[int, msgspec.Meta(ge=0, le=365)] | msgspec.UnsetType = msgspec.UNSET
    day_cost: Money | msgspec.UnsetType = msgspec.UNSET


class OrderPolicy(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One way to order.

    Attributes:
        policy: its name.
        lengths: the spindles in the first order.
        probability_fits: that one of them puts the chain line within the tolerance.
        expected_cost: mean cost including returns, a possible second order and, where given, waiting.
        expected_days: mean days until the right unit is on the bench.
    """

    policy: PolicyName
    lengths: tuple[Length, ...]
    probability_fits: float
    expected_cost: Money | msgspec.UnsetType = msgspec.UNSET
    expected_days: float | msgspec.UnsetType = msgspec.UNSET


class OrderAdvice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The policies side by side.

    Attributes:
        recommended: the one to prefer.
        decided_by: ``cost`` where all prices were given, else ``probability``.
        measure_again: whether even two lengths are more likely to miss than to fit.
        policies: all of them; one alone where no second length is worth trying.
        missing: what was not given and is therefore not counted.
        assumption: what the expectations take for granted.
    """

    recommended: PolicyName
    decided_by: Literal["cost", "probability"]
    measure_again: bool
    policies: tuple[OrderPolicy, ...]
    missing: tuple[str, ...]
    assumption: str

    @property
    def by_name(self) -> dict[PolicyName, OrderPolicy]:
        """The policies, each under its name."""
        return {policy.policy: policy for policy in self.policies}


class Candidate(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A length that may be ordered: mm, and the residual chain line in mm it is predicted to leave."""

    spindle_length: float
    residual: float


class Landing(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What counts as right: chain line within ``tolerance`` mm, predicted with one shared error of ``sd`` mm."""

    tolerance: float
    sd: float


def check_costs(costs: OrderCosts, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with the prices: each by itself, and currencies that differ."""
    named = [(name, getattr(costs, name)) for name in (*_PRICES, "day_cost")]
    given = [(name, price) for name, price in named if isinstance(price, Money)]
    for name, price in given:
        yield from check_price(price, f"{pointer}/{name}")
        if price.currency != given[0][1].currency:
            yield Fault(
                f"{pointer}/{name}/currency",
                f"{price.currency} here and {given[0][1].currency} in {given[0][0]}: one currency, please",
            )


def chance_one_fits(residuals: Sequence[float], landing: Landing) -> float:
    """Probability that at least one of the residuals ends up within the tolerance, under one shared error.

    >>> landing = Landing(1.5, 1.0)
    >>> round(chance_one_fits([0.0], landing), 4), round(chance_one_fits([0.0, 1.5], landing), 4)
    (0.8664, 0.9318)
    """
    return sum(within(0.0, landing.sd, low, high) for low, high in _hits(residuals, landing.tolerance))


def better_second(first: Candidate, neighbours: Sequence[Candidate], landing: Landing) -> Candidate | None:
    """The neighbour that adds most to the first choice, or none."""
    return max(
        neighbours,
        key=lambda item: (chance_one_fits([first.residual, item.residual], landing), -item.spindle_length),
        default=None,
    )


def advise(
    first: Candidate, second: Candidate | None, landing: Landing, costs: OrderCosts | msgspec.UnsetType, trace: Trace
) -> OrderAdvice:
    """Compare ordering ``first`` alone with ordering it and ``second`` and returning one.

    With all three prices the cheaper policy is recommended, a tie going to the single order. Without, two are
    recommended where the first alone is likely to miss and the second catches enough of it.
    """
    known = OrderCosts() if isinstance(costs, msgspec.UnsetType) else costs
    policies = [_policy((first,), landing, known, trace)]
    if second is not None:
        policies.append(_policy((first, second), landing, known, trace))
    missing = tuple(name for name in OrderCosts.__struct_fields__ if getattr(known, name) is msgspec.UNSET)
    return OrderAdvice(
        recommended=min(policies, key=_price).policy if _priced(known) else _by_probability(policies),
        decided_by="cost" if _priced(known) else "probability",
        measure_again=policies[-1].probability_fits < _LIMITS.measure_again.below,
        policies=tuple(policies),
        missing=missing,
        assumption=AFTER_A_MISS,
    )


def _hits(residuals: Sequence[float], tolerance: float) -> list[tuple[float, float]]:
    """Intervals of the shared error in which a candidate fits, merged where they meet."""
    merged: list[tuple[float, float]] = []
    for low, high in sorted((-tolerance - residual, tolerance - residual) for residual in residuals):
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _policy(candidates: tuple[Candidate, ...], landing: Landing, costs: OrderCosts, trace: Trace) -> OrderPolicy:
    name: PolicyName = "order_one" if len(candidates) == 1 else "order_two_return_one"
    fits = probability(chance_one_fits([item.residual for item in candidates], landing))
    _note_chance(name, candidates, landing, trace)
    return OrderPolicy(
        policy=name,
        lengths=tuple(Length.mm(item.spindle_length) for item in candidates),
        probability_fits=fits,
        expected_cost=_expected_cost(len(candidates), fits, costs, trace),
        expected_days=_expected_days(fits, costs, trace),
    )


def _note_chance(name: str, candidates: tuple[Candidate, ...], landing: Landing, trace: Trace) -> None:
    spans = _hits([item.residual for item in candidates], landing.tolerance)
    inputs = {"sd": landing.sd}
    terms = []
    for index, (low, high) in enumerate(spans, 1):
        inputs |= {f"low_{index}": low, f"high_{index}": high}
        terms.append(f"phi(high_{index} / sd) - phi(low_{index} / sd)")
    chance = chance_one_fits([item.residual for item in candidates], landing)
    trace.note(f"{name}: chance that a length fits", " + ".join(terms), chance, "1", "normal distribution", **inputs)


def _expected_days(fits: float, costs: OrderCosts, trace: Trace) -> float | msgspec.UnsetType:
    if isinstance(costs.lead_days, msgspec.UnsetType):
        return msgspec.UNSET
    days = costs.lead_days * (2 - fits)
    trace.note("expected days", "lead * (2 - fits)", days, "d", _EXPECTATION, lead=costs.lead_days, fits=fits)
    return round(days, 6)


def _expected_cost(units: int, fits: float, costs: OrderCosts, trace: Trace) -> Money | msgspec.UnsetType:
    """Price of the unit kept, shipping of one or two orders, return of every unit not kept, and the days between.

    A miss sends back every unit of the first order; a hit all but one.
    """
    unit, shipping, back = costs.unit_price, costs.shipping, costs.return_cost
    if isinstance(unit, msgspec.UnsetType) or isinstance(shipping, msgspec.UnsetType):
        return msgspec.UNSET
    if isinstance(back, msgspec.UnsetType):
        return msgspec.UNSET
    order = shipping.decimal + _waiting(costs)
    miss = 1 - Decimal(str(fits))
    cost = unit.decimal + order + (units - 1) * back.decimal + miss * (order + back.decimal)
    trace.note(
        "expected cost",
        "price + order + (units - 1) * back + (1 - fits) * (order + back)",
        float(cost),
        unit.currency,
        _EXPECTATION,
        price=float(unit.decimal),
        order=float(order),
        back=float(back.decimal),
        units=units,
        fits=fits,
    )
    return rounded(cost, unit.currency)


def _waiting(costs: OrderCosts) -> Decimal:
    if isinstance(costs.day_cost, msgspec.UnsetType) or isinstance(costs.lead_days, msgspec.UnsetType):
        return Decimal(0)
    return costs.day_cost.decimal * costs.lead_days


def _priced(costs: OrderCosts) -> bool:
    return all(getattr(costs, name) is not msgspec.UNSET for name in _PRICES)


def _price(policy: OrderPolicy) -> Decimal:
    return policy.expected_cost.decimal if isinstance(policy.expected_cost, Money) else Decimal(0)


def _by_probability(policies: Sequence[OrderPolicy]) -> PolicyName:
    one, best = policies[0].probability_fits, policies[-1].probability_fits
    limits = _LIMITS.two_at_once
    worth_it = one < limits.one_below and best - one >= limits.gain_least
    return policies[-1].policy if worth_it else policies[0].policy
