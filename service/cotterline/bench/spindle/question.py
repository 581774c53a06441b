"""What a workshop asks when it needs a spindle: where the rings shall stand, on which crank, in which shell."""

from collections.abc import Iterator
from typing import Annotated, Literal

import msgspec

from cotterline.bench.errors import Fault
from cotterline.bench.shell.families import FamilyId
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle.aim import Aim, check_aim
from cotterline.bench.spindle.clearance import Surroundings, check_surroundings
from cotterline.bench.spindle.crank import Asymmetry, Crank, check_crank
from cotterline.bench.spindle.order_policy import OrderCosts, check_costs
from cotterline.bench.spindle.taper import Taper

NominalWidth = Annotated[float, msgspec.Meta(ge=30, le=130, description="Nominal width, mm.")]


class WantedUnit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The unit that is to be ordered and how it will sit.

    Attributes:
        taper: standard of its ends; the crank's own when left out.
        asymmetry_mm: right end minus left end of its spindle.
        seat: the side of the shell whose face its flange is drawn against.
        unit_width_mm: the shell width it is made for; the shell's own when left out.
        spacer_mm: under the flange on the seated side; moves the unit outwards on that side.
        facing_mm: taken off the shell's face on the seated side; moves the unit inwards on that side.
    """

    taper: Taper | msgspec.UnsetType = msgspec.UNSET
    asymmetry_mm: Asymmetry = 0.0
    seat: Literal["right", "left"] = "right"
    unit_width_mm: NominalWidth | msgspec.UnsetType = msgspec.UNSET
    spacer_mm: Annotated[float, msgspec.Meta(ge=0, le=15)] = 0.0
    facing_mm: Annotated[float, msgspec.Meta(ge=0, le=3)] = 0.0


class SpindleQuestion(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which spindle puts this crank's rings where they shall stand.

    Attributes:
        target: the chain line to reach.
        crank: the crank that will be fitted and what is known of it.
        unit: the unit to order and how it sits.
        surroundings: what stands near the crank.
        costs: what an order costs, for the choice between one spindle and two.
    """

    target: Aim
    crank: Crank
    unit: WantedUnit = WantedUnit()
    surroundings: Surroundings = Surroundings()
    costs: OrderCosts | msgspec.UnsetType = msgspec.UNSET


class ShellForSpindle(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The shell as it has been decided: thread family and nominal width in mm."""

    family: FamilyId
    width: NominalWidth


class SpindleRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A question with everything it is answered from.

    Attributes:
        question: what is asked.
        shell: as decided.
        settings: used instead of the shop's, where given.
    """

    question: SpindleQuestion
    shell: ShellForSpindle
    settings: ShopSettings | msgspec.UnsetType = msgspec.UNSET


def check_question(question: SpindleQuestion, pointer: str) -> Iterator[Fault]:
    """Yield everything in the question that cannot be right."""
    yield from check_aim(question.target, f"{pointer}/target")
    yield from check_crank(question.crank, f"{pointer}/crank")
    yield from check_surroundings(question.surroundings, f"{pointer}/surroundings")
    if isinstance(question.costs, OrderCosts):
        yield from check_costs(question.costs, f"{pointer}/costs")
