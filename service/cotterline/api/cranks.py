"""What was learned of cranks from the spindles they were fitted on."""

import msgspec
from litestar import get
from litestar.di import NamedDependency

from cotterline.api.operation import Example
from cotterline.bench.quantity import in_unit
from cotterline.bench.spindle.offset_learning import LearnedOffset, every_crank
from cotterline.bench.workshop import Workshop


class CrankLearning(msgspec.Struct, frozen=True, kw_only=True):
    """What fit reports say of every crank that the shop itself fitted.

    Attributes:
        cranks: each once for every number of rings and taper standard it was fitted with.
        assumptions: what is taken for granted.
    """

    cranks: tuple[LearnedOffset, ...]
    assumptions: tuple[str, ...] = (
        "How far cranks of a kind differ, and how often a report is a misreading, is judged and not measured.",
        "An offset is the chain line less half the spindle's length, on a symmetric spindle centred in its shell.",
    )


def _learned(workshop: Workshop) -> CrankLearning:
    return CrankLearning(cranks=in_unit(every_crank(workshop.offsets), workshop.profile.calculation.units))


@get(
    "/v1/cranks/learning",
    operation_id="readCrankLearning",
    tags=["bench"],
    summary="What fitted spindles say of the shop's cranks",
    opt={
        "scope": "read",
        "examples": {"nothing": Example("Nothing was reported", lambda: _learned(Workshop()))},
    },
)
async def learning(crank_workshop: NamedDependency[Workshop]) -> CrankLearning:
    """Give, for each crank the shop reported, its offset with the evidence and how far each report is believed."""
    return _learned(crank_workshop)
