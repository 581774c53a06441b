"""Which thread a shell has, and whether to order on it."""

from litestar import post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.operation import Example
from cotterline.api.parameters import Derivation
from cotterline.bench.derivation import Trace
from cotterline.bench.shop import ShopSettings
from cotterline.bench.shop_profile import ShopProfile
from cotterline.bench.thread_verdicts import Verdict, VerdictRequest, judge


def _answer(data: VerdictRequest) -> Verdict:
    return judge(data, ShopSettings(), Trace(wanted=False))


@post(
    "/v1/thread-verdicts",
    status_code=200,
    operation_id="judgeThread",
    tags=["bench"],
    summary="Judge which thread a shell has",
    opt={
        "scope": "quote",
        "examples": {
            "clear": Example("Fit to order", _answer, examples.read("clear_shell")),
            "no-stock-unit": Example("No stock unit fits", _answer, examples.read("shell_without_stock_unit")),
        },
    },
)
async def create(
    data: JSONBody[VerdictRequest],
    shop: NamedDependency[ShopProfile],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> Verdict:
    """Weigh any subset of evidence: every family's probability, whether to order, and what to measure next."""
    return judge(data, shop.calculation, Trace(wanted=derivation))
