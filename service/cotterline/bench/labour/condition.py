"""What was observed of a job, and what it does to the chance of a contingency."""

from collections.abc import Sequence
from typing import Annotated, Final, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.data import load
from cotterline.bench.derivation import Trace
from cotterline.bench.labour.book import Contingency, Factor
from cotterline.bench.quantity import probability

_ODDS: Final = "odds times one factor for each thing observed, as if they were independent of one another"


class JobCondition(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What can be seen of a bicycle before work begins. What is left out was not looked at.

    Attributes:
        rust: on the bracket, the cotters and the shell.
        years_since_service: since the bracket was last apart.
        cup_metal: of the old cups.
        cotter_nuts: whether the cotters' nuts turn.
    """

    rust: Literal["none", "light", "heavy"] | UnsetType = UNSET
    years_since_service: Annotated[float, Meta(ge=0, le=120)] | UnsetType = UNSET
    cup_metal: Literal["steel", "alloy"] | UnsetType = UNSET
    cotter_nuts: Literal["free", "seized"] | UnsetType = UNSET


class ObservedFactor(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something observed, and by what it multiplies the odds."""

    factor: Factor
    odds: float


class _Recent(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    years_at_most: float
    source: str
    grade: str


class _Long(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    years_at_least: float
    source: str
    grade: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    recently_serviced: _Recent
    long_unserviced: _Long


_TABLE = load("job_condition", _Table)


def as_it_bears(condition: JobCondition) -> JobCondition:
    """The condition with no more years than it takes to tell it from others: all that bear alike are the same.

    >>> as_it_bears(JobCondition(years_since_service=31)) == as_it_bears(JobCondition(years_since_service=47.5))
    True
    """
    years, recent, long = condition.years_since_service, _TABLE.recently_serviced, _TABLE.long_unserviced
    if isinstance(years, UnsetType):
        return condition
    bearing: float | UnsetType = UNSET
    if years <= recent.years_at_most:
        bearing = recent.years_at_most
    elif years >= long.years_at_least:
        bearing = long.years_at_least
    return msgspec.structs.replace(condition, years_since_service=bearing)


def observed(condition: JobCondition) -> tuple[Factor, ...]:
    """The factors that hold.

    >>> observed(JobCondition(rust="heavy", years_since_service=30))
    ('rust_heavy', 'long_unserviced')
    """
    years = condition.years_since_service
    holds: dict[Factor, bool] = {
        "rust_none": condition.rust == "none",
        "rust_light": condition.rust == "light",
        "rust_heavy": condition.rust == "heavy",
        "recently_serviced": not isinstance(years, UnsetType) and years <= _TABLE.recently_serviced.years_at_most,
        "long_unserviced": not isinstance(years, UnsetType) and years >= _TABLE.long_unserviced.years_at_least,
        "cup_steel": condition.cup_metal == "steel",
        "cup_alloy": condition.cup_metal == "alloy",
        "cotter_nuts_free": condition.cotter_nuts == "free",
        "cotter_nuts_seized": condition.cotter_nuts == "seized",
    }
    return tuple(factor for factor, it_does in holds.items() if it_does)


def factors_of(contingency: Contingency, seen: Sequence[Factor]) -> tuple[ObservedFactor, ...]:
    """What was seen that changes the odds of ``contingency``."""
    return tuple(ObservedFactor(factor, contingency.odds[factor]) for factor in seen if factor in contingency.odds)


def chance(contingency: Contingency, factors: Sequence[ObservedFactor], trace: Trace) -> float:
    """The book's chance with its odds multiplied by every factor, to a millionth.

    >>> from cotterline.bench.labour.book import Minutes
    >>> row = Contingency(operation="pins", name="Stuck", chance=0.2, extra=Minutes(low=1, likely=2, high=3))
    >>> chance(row, [ObservedFactor("rust_heavy", 4.0)], Trace())
    0.5
    """
    inputs = {item.factor: item.odds for item in factors}
    multiplied = " * ".join(("book", *inputs))
    odds = contingency.chance
    for item in factors:
        odds *= item.odds
    value = probability(odds / (1 - contingency.chance + odds))
    formula = f"{multiplied} / (1 - book + {multiplied})"
    return trace.note(f"chance: {contingency.name}", formula, value, "1", _ODDS, book=contingency.chance, **inputs)
