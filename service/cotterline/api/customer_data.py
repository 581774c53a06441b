"""What is kept of a customer's job: given out as one document, and its words erased."""

from typing import Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, delete, get
from litestar.di import NamedDependency
from msgspec import UNSET, Raw, UnsetType

from cotterline.api import (
    approvals,
    audit,
    deliveries,
    estimate_links,
    order_replies,
    orders,
    quote_revisions,
    quote_transitions,
)
from cotterline.api.approvals import Approval
from cotterline.api.audit import AuditEntry
from cotterline.api.conditions import overtaken, require, wanted_tags
from cotterline.api.deliveries import DeliveryEntry
from cotterline.api.estimate_links import EstimateLink
from cotterline.api.event_examples import event_example
from cotterline.api.kept_quote import HeldQuote, KeptQuote, Quote
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.order_replies import ShownReply
from cotterline.api.orders import KeptOrder
from cotterline.api.quote_changes import find
from cotterline.api.quote_revisions import KeptRevision, QuoteRevision
from cotterline.api.quote_transitions import Transition
from cotterline.api.quotes import EXAMPLE_NOW, QuoteId, answer, example_quote
from cotterline.api.shop_documents import Desk
from cotterline.api.told_events import AnyEvent
from cotterline.bench.orders import OrderChangeDocument
from cotterline.delivery.customer_data import erase
from cotterline.delivery.fit_report_events import FitReport, KeptFitReport, whole
from cotterline.delivery.quote_events import QuoteEntry
from cotterline.delivery.quote_events import entry as quote_entry
from cotterline.delivery.recheck_visit_events import RecheckVisit
from cotterline.delivery.recheck_visit_events import told as told_visit
from cotterline.store import approvals as kept_approvals
from cotterline.store import audit as trail
from cotterline.store import deliveries as posts
from cotterline.store import (
    estimate_links as links,
)
from cotterline.store import (
    events,
    fit_reports,
    order_changes,
    recheck_visits,
)
from cotterline.store import order_replies as replies
from cotterline.store import orders as kept_orders
from cotterline.store import quote_revisions as revisions
from cotterline.store import quote_transitions as transitions
from cotterline.store.audit import AuditRow
from cotterline.store.database import ReadTransaction

PATH: Final = "/v1/quotes/{quote_id:uuid}/customer-data"


class _Job(msgspec.Struct, frozen=True, kw_only=True):
    """What is kept of a job.

    Attributes:
        quote: the quote as it is now.
        transitions: what was done with it.
        approvals: what the customer agreed to.
        links: by what the customer could see it.
        orders: what was ordered for it.
        order_changes: what suppliers were told later.
        order_replies: what suppliers said.
        recheck_visit: when the bicycle is or was to be looked at again.
        deliveries: what of all this was posted to whom.
        audit: who did what to any of it.
    """

    quote: QuoteEntry
    transitions: tuple[Transition, ...]
    approvals: tuple[Approval, ...]
    links: tuple[EstimateLink, ...]
    orders: tuple[KeptOrder, ...]
    order_changes: tuple[OrderChangeDocument, ...]
    order_replies: tuple[ShownReply, ...]
    recheck_visit: RecheckVisit | UnsetType = UNSET
    deliveries: tuple[DeliveryEntry, ...]
    audit: tuple[AuditEntry, ...]


class CustomerData(_Job, frozen=True, kw_only=True):
    """Everything that is kept of a customer's job, for whoever asks what that is.

    Attributes:
        revisions: what was asked and answered, each time.
        fit_reports: what was measured once the crank was on.
        events: what the shop's other systems were told.
    """

    revisions: tuple[QuoteRevision, ...]
    fit_reports: tuple[FitReport, ...]
    events: tuple[AnyEvent, ...]


class KeptCustomerData(_Job, frozen=True, kw_only=True):
    """A :class:`CustomerData` on the wire, its parts passed on as the bytes they are."""

    revisions: tuple[KeptRevision, ...]
    fit_reports: tuple[KeptFitReport, ...]
    events: tuple[Raw, ...]


_MADE: Final = AuditRow(
    id=UUID(EXAMPLE_ID),
    at=EXAMPLE_NOW,
    actor=EXAMPLE_ID,
    action="quote.created",
    subject_kind="quote",
    subject_id=EXAMPLE_ID,
    detail='{"revision":1}',
)


def _example() -> KeptCustomerData:
    held = example_quote()
    return KeptCustomerData(
        quote=quote_entry(held.quote, EXAMPLE_NOW),
        transitions=(),
        approvals=(),
        links=(),
        orders=(),
        order_changes=(),
        order_replies=(),
        deliveries=(),
        audit=(audit.entry(_MADE),),
        revisions=(quote_revisions.shown(held.revision),),
        fit_reports=(),
        events=(Raw(msgspec.json.encode(event_example("quote.created"))),),
    )


def _erased_example() -> KeptQuote:
    held = example_quote()
    row = msgspec.structs.replace(held.quote, reference=None, metadata=b"{}", version=2, erased_at=EXAMPLE_NOW)
    return answer(HeldQuote(quote=row, revision=held.revision), EXAMPLE_NOW).content


@get(
    PATH,
    operation_id="readCustomerData",
    tags=["quotes"],
    summary="Give everything that is kept of a customer's job",
    opt={
        "scope": "administer",
        "answer": CustomerData,
        "examples": {"whole": Example("A draft, of which little is kept", _example)},
    },
)
async def read(quote_id: QuoteId, desk: NamedDependency[Desk]) -> Response[KeptCustomerData]:
    """Give in one document what is kept of a job, for a customer who asks; a job is all that is kept of a customer.

    Customers have no entry of their own here: look for their jobs by the references you gave them.
    """
    async with desk.database.read(desk.caller.tenant) as tx:
        held = await find(tx, quote_id)
        found = await _collected(tx, held, desk)
    return Response(found)


@delete(
    PATH,
    status_code=200,
    operation_id="eraseCustomerData",
    tags=["quotes"],
    summary="Erase a customer's words from everything that is kept of a job",
    opt={
        "scope": "administer",
        "answer": Quote,
        "takes": ["If-Match"],
        "refusals": (409,),
        "examples": {"erased": Example("The quote since", _erased_example)},
        "headers": ["ETag"],
    },
)
async def remove(
    request: Request[Any, Any, Any], quote_id: QuoteId, desk: NamedDependency[Desk]
) -> Response[KeptQuote]:
    """Erase reference, metadata, notes, remarks and names from a quote, its orders, reports, events and posts.

    What was measured, quoted, agreed, ordered and paid stays, as books and warranties need it. Links to the estimate
    end. It can be done to a draft and to what is declined, expired or closed.
    """
    wanted = wanted_tags(request)
    now = desk.stamp.now
    async with desk.database.write(desk.caller.tenant) as tx:
        held = await find(tx, quote_id)
        require(wanted, held.etag(now))
        row = await erase(tx, held.quote, now, desk.caller.key_id)
        if row is None:
            raise overtaken()
    return answer(HeldQuote(quote=row, revision=held.revision), now)


async def _collected(tx: ReadTransaction, held: HeldQuote, desk: Desk) -> KeptCustomerData:
    quote_id, now = held.quote.id, desk.stamp.now
    ordered = [await orders.there(tx, order_id) for order_id in await kept_orders.of_quote(tx, quote_id)]
    reports = await fit_reports.of_quote(tx, quote_id)
    offered = await links.every(tx, quote_id)
    visit = await recheck_visits.get(tx, quote_id)
    about = [quote_id, *(row.id for row in ordered), *(row.id for row in reports), *(row.id for row in offered)]
    told = await events.about(tx, about)
    posted = await posts.of_subjects(tx, [*about, *(row.id for row in told)])
    return KeptCustomerData(
        quote=quote_entry(held.quote, now),
        transitions=tuple(map(quote_transitions.told, await transitions.every(tx, quote_id))),
        approvals=tuple(map(approvals.told, await kept_approvals.every(tx, quote_id))),
        links=tuple(estimate_links.entry(row, held, now) for row in offered),
        orders=tuple([await orders.kept(tx, row) for row in ordered]),
        order_changes=tuple([kept.document for row in ordered for kept in await order_changes.every(tx, row.id)]),
        order_replies=tuple([order_replies.shown(kept) for row in ordered for kept in await replies.every(tx, row.id)]),
        recheck_visit=told_visit(visit) if visit else UNSET,
        deliveries=tuple(map(deliveries.entry, posted)),
        audit=tuple(map(audit.entry, await trail.about(tx, about))),
        revisions=tuple([await _revision(tx, quote_id, row.number) for row in await revisions.every(tx, quote_id)]),
        fit_reports=tuple(map(whole, reports)),
        events=tuple(Raw(row.body) for row in told),
    )


async def _revision(tx: ReadTransaction, quote_id: UUID, number: int) -> KeptRevision:
    return quote_revisions.shown(await quote_revisions.there(tx, quote_id, number))
