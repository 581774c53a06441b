"""What a bicycle's background makes likely before its shell is measured.

Weights are judgement on sourced facts (``data/priors.toml``). They steer which measurement to ask for; an order never
rests on them.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from cotterline.bench.data import load
from cotterline.bench.shell.evidence import Evidence, OldCrank, Origin
from cotterline.bench.shell.families import SHELLS, FamilyId
from cotterline.bench.shell.features import FAMILY_IDS, FEATURES, WIDTHS, Numbers, fixed


class Rule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One statement about backgrounds and the factors by which it shifts the odds of families and threaded widths."""

    about: str
    source: str
    factors: dict[FamilyId, float] = {}
    widths: dict[str, float] = {}
    countries: tuple[str, ...] = ()
    cranks: tuple[Literal["cottered", "square_taper", "one_piece", "splined"], ...] = ()
    first: int | None = msgspec.field(name="from", default=None)
    last: int | None = msgspec.field(name="to", default=None)

    def share(self, background: "Background") -> float:
        """How far the rule applies, 0 to 1."""
        if self.countries and background.country not in self.countries:
            return 0.0
        if self.cranks and background.crank not in self.cranks:
            return 0.0
        if self.first is None and self.last is None:
            return 1.0
        if background.years is None:
            return 0.0
        earliest, latest = background.years
        begin = earliest if self.first is None else max(earliest, self.first)
        end = latest if self.last is None else min(latest, self.last)
        return max(0, end - begin + 1) / (latest - earliest + 1)


class Background(NamedTuple):
    """Country, years and old crank, as far as the evidence states them."""

    country: str | None
    years: tuple[int, int] | None
    crank: str | None


class _Base(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    weights: dict[FamilyId, float]
    source: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    base: _Base
    rule: tuple[Rule, ...]


_TABLE = load("priors", _Table)
_SHARES = fixed([shell.share for shell in SHELLS])
_THREADED = np.array([shell.original.threaded for shell in SHELLS])
COUNTRIES = frozenset(country for rule in _TABLE.rule for country in rule.countries)
"""Countries that some rule knows."""


def background(evidence: Sequence[Evidence]) -> Background:
    """What the evidence says of the bicycle apart from its shell."""
    origin = next((item for item in evidence if isinstance(item, Origin)), Origin())
    crank = next((item.crank for item in evidence if isinstance(item, OldCrank)), None)
    country = origin.country if isinstance(origin.country, str) else None
    return Background(country, origin.years, crank)


def without(known: Background, item: Evidence) -> Background:
    """The same with one item of background left out."""
    return known._replace(crank=None) if isinstance(item, OldCrank) else known._replace(country=None, years=None)


@lru_cache(maxsize=2048)
def rules(known: Background) -> tuple[tuple[Rule, float], ...]:
    """The rules that apply, each with its share."""
    shares = [(rule, rule.share(known)) for rule in _TABLE.rule]
    return tuple((rule, share) for rule, share in shares if share > 0)


def weights(known: Background) -> Numbers:
    """Unnormalised prior weight of every shell in ``SHELLS``."""
    by_family = dict(_TABLE.base.weights)
    by_width = dict.fromkeys(WIDTHS, 1.0)
    for rule, share in rules(known):
        for family, factor in rule.factors.items():
            by_family[family] *= factor**share
        for width, factor in rule.widths.items():
            by_width[float(width)] *= factor**share
    of_width = np.array(list(by_width.values()))[FEATURES["width"].of_shell]
    of_family = np.array([by_family[family] for family in FAMILY_IDS])[FEATURES["original"].of_shell]
    found: Numbers = of_family * _SHARES * np.where(_THREADED, of_width, 1.0)
    return found


@lru_cache(maxsize=2048)
def log_weights(known: Background) -> Numbers:
    """Logarithms of :func:`weights`."""
    return fixed(np.log(weights(known)))
