"""What the spread of an estimate comes from, in money."""

from typing import Literal

import msgspec

from cotterline.bench.labour.work import Work
from cotterline.bench.labour.workload import Workload
from cotterline.bench.pricing.bill import MINUTES_AN_HOUR
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.total_cost import Terms
from cotterline.bench.quantity import probability


class MoneyDriver(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one operation or contingency adds to the spread of the money.

    Attributes:
        kind: which of the two.
        id: in the labour book.
        name: in words.
        share: of the variance, before the minimum charge and sundries.
    """

    kind: Literal["operation", "contingency"]
    id: str
    name: str
    share: float


def money_drivers(load: Workload | Work, terms: Terms, rules: PricingInForce) -> tuple[MoneyDriver, ...]:
    """Each variance of minutes at its rate; an exchange adds its own cost to that of its minutes."""
    a_minute = float(terms.labour_kept * terms.labour_tax) / MINUTES_AN_HOUR
    rates = {name: float(rate) * a_minute for name, rate in rules.rated.items()}
    cost = float(terms.exchange)
    exchanges: dict[str, float] = {}
    for risk in load.with_cost:
        # Var(B (r M + x)) - Var(B r M) for a contingency B of chance p: p (1 - p) (x^2 + 2 x r E[M]).
        besides = cost * (cost + 2 * rates.get(risk.labour_class, 0.0) * risk.minutes.mean)
        happens = risk.chance * (1 - risk.chance)
        exchanges[risk.contingency] = exchanges.get(risk.contingency, 0.0) + happens * besides
    found = {
        (spread.kind, spread.id, spread.name): spread.variance * rates.get(spread.labour_class, 0.0) ** 2
        + (exchanges.get(spread.id, 0.0) if spread.kind == "contingency" else 0.0)
        for spread in load.spreads
    }
    whole = sum(found.values())
    return tuple(
        MoneyDriver(kind=kind, id=name, name=words, share=probability(variance / whole))
        for (kind, name, words), variance in sorted(found.items(), key=lambda item: -item[1])
        if variance > 0
    )
