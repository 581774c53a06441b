"""Ceiling checks: whether work under way still fits what the customer agreed to. Nothing is kept."""

from dataclasses import replace
from typing import Final

import msgspec
from litestar import post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api import examples
from cotterline.api.caller import Caller
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.operation import Example
from cotterline.api.quote_changes import find
from cotterline.api.quotes import QuoteId
from cotterline.api.workshops import UNSET_WORKSHOP
from cotterline.api.workshops import read as read_workshop
from cotterline.bench.approvals import check_charge
from cotterline.bench.ceiling_checks import CeilingCheck, CeilingCheckRequest, book_after, check_ceiling
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.bench.quantity import refuse
from cotterline.bench.quotes import QuoteRequest, quote
from cotterline.bench.workshop import Workshop
from cotterline.store import approvals
from cotterline.store.approvals import ApprovalRow
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.shop_documents import SETTINGS

_BODY: Final = b'{"minutes_spent":45,"happened":["cotter_stuck"]}'


def _checked(asked: CeilingCheckRequest, request: QuoteRequest, workshop: Workshop, ceiling: Money) -> CeilingCheck:
    now = replace(workshop, book=book_after(workshop.book, asked.happened))
    return check_ceiling(asked, quote(request, now, Trace(wanted=False)).estimate, ceiling)


def _example(asked: CeilingCheckRequest) -> CeilingCheck:
    request = examples.typed("whole_job", QuoteRequest)
    return _checked(asked, request, UNSET_WORKSHOP.workshop, Money(amount="140.00", currency="EUR"))


@post(
    "/v1/quotes/{quote_id:uuid}/ceiling-checks",
    status_code=200,
    operation_id="checkCeiling",
    tags=["quotes"],
    summary="See whether the work still fits what was agreed",
    opt={
        "scope": "quote",
        "refusals": (409,),
        "examples": {"stuck": Example("A cotter was stuck", _example, _BODY)},
    },
)
async def create(
    quote_id: QuoteId,
    data: JSONBody[CeilingCheckRequest],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
) -> CeilingCheck:
    """Price the job again with what happened, and hold it against the ceiling in force; nothing is kept."""
    async with database.read(caller.tenant) as tx:
        held = await find(tx, quote_id)
        agreed = await approvals.in_force(tx, quote_id)
        if agreed is None:
            raise CotterlineError("approval-missing", "The customer has agreed to no ceiling that is in force.")
        workshop = await _workshop(tx, held)
    if isinstance(data.charged_so_far, Money):
        refuse([*check_charge(data.charged_so_far, agreed.most, "/charged_so_far")])
    return _checked(data, _agreed_to(held, agreed), workshop, agreed.most)


async def _workshop(tx: ReadTransaction, held: HeldQuote) -> Workshop:
    """The workshop of now, with the settings the customer's estimate was made by."""
    settings = await SETTINGS.get(tx, held.revision.settings_version) or SETTINGS.unset
    return replace((await read_workshop(tx)).workshop, profile=settings.content)


def _agreed_to(held: HeldQuote, agreed: ApprovalRow) -> QuoteRequest:
    """What was asked, with the options the customer chose besides."""
    request = msgspec.json.decode(held.revision.request, type=QuoteRequest)
    chosen = msgspec.json.decode(agreed.options, type=tuple[OptionId, ...])
    return msgspec.structs.replace(request, options=tuple(dict.fromkeys((*request.options, *chosen))))
