"""Which spindle puts the rings where they shall stand."""

from litestar import post
from litestar.params import JSONBody
from msgspec.structs import replace

from cotterline.api import examples
from cotterline.api.operation import Example
from cotterline.api.parameters import Derivation
from cotterline.bench import spindle
from cotterline.bench.shop import ShopSettings
from cotterline.bench.spindle import SpindleResult
from cotterline.bench.spindle_question import SpindleRequest


def _answer(data: SpindleRequest) -> SpindleResult:
    return spindle.answer(data, ShopSettings())


@post(
    "/v1/spindle-options",
    status_code=200,
    operation_id="rankSpindles",
    tags=["bench"],
    summary="Rank the spindle lengths for a crank",
    opt={
        "examples": {
            "known-crank": Example("A crank once measured", _answer, examples.read("known_crank")),
            "untried-crank": Example("Only the cotters' distance is known", _answer, examples.read("untried_crank")),
        }
    },
)
async def create(data: JSONBody[SpindleRequest], derivation: Derivation = False) -> SpindleResult:  # noqa: FBT002 - a query parameter
    """Predict the chain line on every length to be had for this shell, and say which to order."""
    return _answer(replace(data, derivation=derivation or data.derivation))
