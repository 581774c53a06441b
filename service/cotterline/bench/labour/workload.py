"""What pricing needs of a plan: minutes as distributions, those that cost more than time apart. Not on the wire."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.labour.minutes import MinuteDistribution, total

CostKind = Literal["exchange"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CostRisk:
    """A contingency that costs money besides time.

    Attributes:
        chance: that it happens; independent of everything else in the workload.
        minutes: it takes when it happens, whatever may follow on it included.
        labour_class: at which rate they count.
        cost: what else it costs: ``exchange`` is the shop's return and shipping once.
        contingency: its id in the labour book.
    """

    chance: float
    minutes: MinuteDistribution
    labour_class: LabourClass
    cost: CostKind
    contingency: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What one operation or contingency adds to the spread.

    Attributes:
        kind: which of the two.
        id: in the labour book.
        name: in words.
        labour_class: at which rate its minutes count.
        variance: of its minutes, square minutes. Variances of independent parts add up.
    """

    kind: Literal["operation", "contingency"]
    id: str
    name: str
    labour_class: LabourClass
    variance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Workload:
    """Independent parts that together are the whole work.

    Attributes:
        fixed: by labour class, the minutes of all operations with the contingencies that cost only time.
        with_cost: the contingencies that cost more than time.
        spreads: where the spread of the minutes comes from, all of it.
    """

    fixed: Mapping[LabourClass, MinuteDistribution]
    with_cost: tuple[CostRisk, ...] = ()
    spreads: tuple[Spread, ...] = ()

    @property
    def minutes(self) -> MinuteDistribution:
        """The minutes of the whole work."""
        risks = [risk.minutes.if_it_happens(risk.chance) for risk in self.with_cost]
        return total([*self.fixed.values(), *risks])
