"""The orders a quote would place now: what a preview shows, and what placing them keeps, to the byte the same."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, NamedTuple
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.api import workshops
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.quote_changes import find
from cotterline.bench.allotments import Market, allotted
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.labour.book import OptionId
from cotterline.bench.order_ceiling import Bought, hold_order_to_ceiling
from cotterline.bench.order_needs import KeptResult, Needs, needed
from cotterline.bench.orders import OrderDocument, OrderHead, OrderRequest, order_documents
from cotterline.bench.pricing.in_force import in_force
from cotterline.bench.quantity import refuse
from cotterline.bench.quote_life import state_after
from cotterline.bench.quotes import QuoteRequest
from cotterline.bench.suppliers import BodyForm, Supplier
from cotterline.bench.workshop import Workshop
from cotterline.documents.order_body import Body, order_body
from cotterline.store import approvals, receivers, shops
from cotterline.store.approvals import ApprovalRow
from cotterline.store.database import ReadTransaction
from cotterline.store.receivers import supplier_of

CALLBACKS: Final = "/v1/orders/{order_id}/callbacks"


class DraftOrder(NamedTuple):
    """One order as it would go out.

    Attributes:
        document: what is ordered.
        supplier: of whom, as it is set now.
    """

    document: OrderDocument
    supplier: Supplier

    @property
    def delivery_id(self) -> UUID:
        """Names the post that carries the order; it follows from the order, so that a preview can show it."""
        return uuid5(self.document.order_id, "post")

    async def body(self, form: BodyForm | None = None) -> Body:
        """The bytes that go out; in another form than the supplier's where one is given.

        They are made beside the loop: a shop's own mapping may take a second, and nobody else is to wait for it.
        """
        return await asyncio.to_thread(order_body, self.document, form or self.supplier.body)


class Drafts(NamedTuple):
    """The orders of one quote.

    Attributes:
        quote: they come from.
        orders: by supplier.
    """

    quote: HeldQuote
    orders: tuple[DraftOrder, ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """What every order of one quote goes by.

    Attributes:
        held: the quote.
        approval: what the customer agreed to.
        workshop: of now, with the settings the revision was computed with.
    """

    held: HeldQuote
    approval: ApprovalRow
    workshop: Workshop

    @property
    def request(self) -> QuoteRequest:
        """What was asked of the revision that holds."""
        return msgspec.json.decode(self.held.revision.request, type=QuoteRequest)


async def ground_of(tx: ReadTransaction, held: HeldQuote) -> Ground:
    """What the orders of the tenant's quote go by.

    Raises:
        CotterlineError: ``approval-missing``.
    """
    approval = await approvals.in_force(tx, held.quote.id)
    if approval is None:
        raise CotterlineError("approval-missing", "Nothing is ordered before the customer has agreed to a ceiling.")
    return Ground(held, approval, await workshops.as_quoted(tx, held.revision))


@dataclass(frozen=True, slots=True)
class Asked:
    """How orders are to be placed.

    Attributes:
        request: as it was asked.
        replaces: the order they take the place of.
        revision: counts from 1 each time an order takes another's place.
        before: what other orders of the job bring already.
    """

    request: OrderRequest
    replaces: UUID | UnsetType = UNSET
    revision: int = 1
    before: tuple[Bought, ...] = ()


@dataclass(frozen=True, slots=True)
class Drafting:
    """Where and when orders are drafted.

    Attributes:
        now: the present instant.
        base_url: address the service is reached at; without one a document does not say where replies go.
        pointer: where the order request stands in the body, for faults.
    """

    now: datetime
    base_url: str
    pointer: str = ""

    async def draft(self, tx: ReadTransaction, quote_id: UUID, asked: OrderRequest) -> Drafts:
        """Work out the orders of the tenant's quote.

        Raises:
            CotterlineError: ``not-found``, ``wrong-state``, ``approval-missing``, ``order-not-allowed``,
                ``prices-missing``, ``supplier-missing``, ``beyond-ceiling``, or ``impossible-value``.
        """
        held = await find(tx, quote_id)
        state_after(held.state(self.now), "order")
        ground = await ground_of(tx, held)
        needs = self._needs(ground, asked)
        return Drafts(held, await self.orders(tx, ground, needs, Asked(asked)))

    async def orders(self, tx: ReadTransaction, ground: Ground, needs: Needs, asked: Asked) -> tuple[DraftOrder, ...]:
        """One order for each supplier of what is needed.

        Raises:
            CotterlineError: ``prices-missing``, ``supplier-missing``, ``beyond-ceiling``, or ``impossible-value``.
        """
        held, workshop, suppliers = ground.held, ground.workshop, await self._suppliers(tx)
        market = self._market(workshop, suppliers)
        allotments = allotted(needs.lines, asked.request, market, needs.options_after, self.pointer)
        hold_order_to_ceiling(allotments, needs, ground.approval.most, in_force(workshop.profile), asked.before)
        shop = await shops.get(tx)
        head = OrderHead(
            quote_id=held.quote.id,
            quote_version=held.quote.version,
            quote_revision=held.quote.revision,
            shop=shop.name if shop else "",
            ordered_on=self.now.date(),
            request=asked.request,
            suppliers=suppliers,
            reference=held.quote.reference or UNSET,
            replaces=asked.replaces,
            revision=asked.revision,
            reply_to=self._reply_to if self.base_url else None,
        )
        documents = order_documents(allotments, head)
        return tuple(DraftOrder(document, suppliers[document.supplier]) for document in documents)

    def hold_override(self, kept: KeptResult, asked: OrderRequest) -> bool:
        """Whether a person answers for an order that the result does not allow.

        Raises:
            CotterlineError: ``impossible-value`` where the result allows it anyhow.
        """
        overridden = not isinstance(asked.override, UnsetType)
        if overridden and kept.ordering.allowed:
            words = "nothing stands against ordering these parts, so there is nothing to override"
            refuse([Fault(f"{self.pointer}/override", words)])
        return overridden

    def _needs(self, ground: Ground, asked: OrderRequest) -> Needs:
        kept = kept_result(ground.held)
        overridden = self.hold_override(kept, asked)
        options = msgspec.json.decode(ground.approval.options, type=tuple[OptionId, ...])
        return needed(kept, ground.request, options, ground.workshop, override=overridden)

    def _market(self, workshop: Workshop, suppliers: Mapping[str, Supplier]) -> Market:
        return Market(
            parts=workshop.parts,
            price_lists=workshop.price_lists,
            currency=workshop.profile.currency,
            suppliers=suppliers,
            clocks={name: self.now.astimezone(ZoneInfo(each.hours.timezone)) for name, each in suppliers.items()},
        )

    @staticmethod
    async def _suppliers(tx: ReadTransaction) -> dict[str, Supplier]:
        """The suppliers that can be ordered of: those set and not disabled."""
        return {row.name: supplier_of(row) for row in await receivers.suppliers(tx) if row.disabled_at is None}

    def _reply_to(self, order_id: UUID) -> str:
        return self.base_url + CALLBACKS.format(order_id=order_id)


def kept_result(held: HeldQuote) -> KeptResult:
    """The part of the kept answer an order looks at.

    Raises:
        CotterlineError: ``order-not-allowed``, for an answer from before there were estimates.
    """
    try:
        return msgspec.json.decode(held.revision.result, type=KeptResult)
    except msgspec.ValidationError as error:
        words = "This revision was computed before parts were priced: revise the quote and have it approved again."
        raise CotterlineError("order-not-allowed", words) from error
