"""Exchanges: another spindle for one that was fitted and missed."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from litestar import Request, Response, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.exchange_examples import example_exchange
from cotterline.api.exchange_placing import Exchanged, exchange
from cotterline.api.fit_reports import PATH, FitReportId
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.order_drafts import Drafting
from cotterline.api.orders import order_links
from cotterline.api.problems import call_of
from cotterline.bench.exchanges import ExchangeRequest
from cotterline.delivery.order_events import Order, whole
from cotterline.store.database import WriteTransaction


class Exchange(msgspec.Struct, frozen=True, kw_only=True):
    """A spindle that was taken for one that missed.

    Attributes:
        fit_report_id: the report that missed.
        created_at: when it was made.
        by: id of the key it was made with.
        quote_id: the job it is about.
        spindle_length_mm: of the spindle that is tried next.
        ordered: the order that brings it; left out where it came from the shop's own shelf.
        replaced: the order that brought the spindle that missed, as it stands now; left out where none did.
    """

    fit_report_id: UUID
    created_at: datetime
    by: str
    quote_id: UUID
    spindle_length_mm: float
    ordered: Order | UnsetType = UNSET
    replaced: Order | UnsetType = UNSET


def told(made: Exchanged) -> Exchange:
    """An exchange as it is told."""
    kept = made.kept
    return Exchange(
        fit_report_id=kept.fit_report_id,
        created_at=kept.created_at,
        by=kept.actor,
        quote_id=kept.quote_id,
        spindle_length_mm=kept.spindle_length,
        ordered=whole(made.ordered) if made.ordered else UNSET,
        replaced=whole(made.replaced) if made.replaced else UNSET,
    )


@post(
    PATH + "/exchanges",
    status_code=201,
    operation_id="exchangeSpindle",
    tags=["fit-reports"],
    summary="Take another spindle for one that missed",
    opt={
        "scope": "order",
        "answer": Exchange,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {
            "from-the-shelf": Example(
                "The shop has it at hand",
                lambda data: told(example_exchange(data)),
                b'{"spindle_length_mm":107,"from_stock":true}',
            )
        },
        "headers": ["Idempotency-Replayed"],
        "links": order_links("$response.body#/ordered/id"),
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    fit_report_id: FitReportId,
    data: JSONBody[ExchangeRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Order the next spindle, announce to its supplier that the last one comes back, and record both, all or nothing.

    Only by the quote's newest fit report, and only where that one missed and another spindle is better.
    """
    drafting = Drafting(stamp.now, call_of(request.scope).base_url)

    async def work(tx: WriteTransaction) -> Response[Exchange]:
        made = await exchange(tx, caller, drafting, fit_report_id, data)
        return Response(told(made))

    return await once.answer(work)
