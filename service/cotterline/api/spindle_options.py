"""Which spindle puts the rings where they shall stand."""

import msgspec
from litestar import post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.operation import Example
from cotterline.api.parameters import Derivation
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import with_cranks
from cotterline.bench.spindle.question import SpindleRequest
from cotterline.bench.spindle_options import SpindleResult, rank
from cotterline.bench.workshop import Workshop


def _answer(data: SpindleRequest) -> SpindleResult:
    return rank(data, ShopSettings(), Trace(wanted=False))


@post(
    "/v1/spindle-options",
    status_code=200,
    operation_id="rankSpindles",
    tags=["bench"],
    summary="Rank the spindle lengths for a crank",
    opt={
        "scope": "quote",
        "examples": {
            "known-crank": Example("A crank once measured", _answer, examples.read("known_crank")),
            "untried-crank": Example("Only the cotters' distance is known", _answer, examples.read("untried_crank")),
        },
    },
)
async def create(
    data: JSONBody[SpindleRequest],
    crank_workshop: NamedDependency[Workshop],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> SpindleResult:
    """Predict the chain line on every length to be had for this shell, and say which to order."""
    request = msgspec.structs.replace(data, question=with_cranks(data.question, crank_workshop.profile))
    return rank(request, crank_workshop.profile.calculation, Trace(wanted=derivation), crank_workshop.offsets)
