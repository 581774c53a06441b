"""Where the chain runs: front, rear, and every gear's angle."""

from litestar import post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.operation import Example
from cotterline.api.parameters import Derivation
from cotterline.bench.chainline_predictions import ChainlineRequest, ChainlineResult, predict
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import ShopProfile


def _answer(data: ChainlineRequest) -> ChainlineResult:
    return predict(data, ShopSettings(), Trace(wanted=False))


@post(
    "/v1/chainline-predictions",
    status_code=200,
    operation_id="predictChainline",
    tags=["bench"],
    summary="Predict the chain line and every gear's chain angle",
    opt={
        "scope": "quote",
        "examples": {
            "single": Example("One ring, one sprocket", _answer, examples.read("single_sprocket")),
            "double": Example("Two rings, a cluster", _answer, examples.read("two_rings")),
        },
    },
)
async def create(
    data: JSONBody[ChainlineRequest],
    shop: NamedDependency[ShopProfile],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> ChainlineResult:
    """Work out front and rear chain line from any way of measuring, and the chain's angle in every gear."""
    return predict(data, shop.calculation, Trace(wanted=derivation))
