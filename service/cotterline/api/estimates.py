"""Estimates: the whole job priced without keeping anything."""

from litestar import post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.operation import Example
from cotterline.api.parameters import Derivation
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.bench.workshop import Workshop


def _answer(data: QuoteRequest) -> QuoteResult:
    return quote(data, Workshop(), Trace(wanted=False))


@post(
    "/v1/estimates",
    status_code=200,
    operation_id="estimateJob",
    tags=["bench"],
    summary="Plan and price the whole job without keeping it",
    opt={
        "scope": "quote",
        "examples": {"whole-job": Example("From the bench to the ceiling", _answer, examples.read("whole_job"))},
    },
)
async def create(
    data: JSONBody[QuoteRequest],
    workshop: NamedDependency[Workshop],
    derivation: Derivation = False,  # noqa: FBT002 - a query parameter
) -> QuoteResult:
    """Do the whole job as a quote does: steps, minutes and money as ranges, and the ceiling to ask for."""
    return quote(data, workshop, Trace(wanted=derivation))
