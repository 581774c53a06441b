"""One visit by a link: what it shows, and the answer it takes, in the transaction of what that does to the quote."""

from collections.abc import Collection
from datetime import datetime
from typing import Literal

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.estimate_forms import EstimateForm, is_seal, seal
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.quote_changes import QuoteChange, find
from cotterline.api.quote_requests import TransitionRequest
from cotterline.bench.approvals import ApprovalRequest
from cotterline.bench.customer_estimates import Choice, KeptOffer, choice, offer_of
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.estimate_links import LinkAnswer, LinkState, link_state
from cotterline.bench.labour.book import OptionId
from cotterline.documents.customer_estimates import (
    Answered,
    Asked,
    ClosedKind,
    Form,
    Sheet,
    Since,
    TroubleKind,
    answered,
    asking,
    closed,
    option_names,
)
from cotterline.documents.language import Language
from cotterline.documents.templates import Page
from cotterline.store import approvals, estimate_links, quote_revisions, shops
from cotterline.store.approvals import ApprovalRow
from cotterline.store.database import Database, ReadTransaction, WriteTransaction
from cotterline.store.estimate_links import FoundLink, LinkRow

Outcome = Literal["done", "closed"] | TroubleKind
"""What came of an answer: it is given, now or before; it can no longer be given; or the page must be looked at."""

_OVERTAKEN = frozenset({"precondition-failed", "wrong-state"})
"""Refusals that mean that somebody was faster."""


class _View(msgspec.Struct, frozen=True, kw_only=True):
    """What is kept of a link and all it shows, as one transaction reads it."""

    link: LinkRow
    held: HeldQuote
    offer: KeptOffer
    sheet: Sheet
    agreed: ApprovalRow | None
    in_force: ApprovalRow | None

    def state(self, now: datetime) -> LinkState:
        return link_state(self.link, self.held.state(now), self.held.quote.revision, now)

    def choice(self, options: Collection[OptionId]) -> Choice:
        return choice(self.offer, tuple(options), Trace(wanted=False))


class Shown(msgspec.Struct, frozen=True):
    """A page, and where the link stands that it is about."""

    state: LinkState
    page: Page


class Visit:
    """One visit by a link.

    Args:
        database: of the service.
        found: the link.
        token: that opened it.
        now: the present instant.
    """

    def __init__(self, database: Database, found: FoundLink, token: str, now: datetime) -> None:
        self._database = database
        self._found = found
        self._token = token
        self._now = now

    async def page(
        self, options: Collection[OptionId] = (), name: str = "", trouble: TroubleKind | None = None
    ) -> Shown:
        """The page as everything stands now.

        Args:
            options: that it is to show the price with.
            name: as it was entered before.
            trouble: why it is shown anew.
        """
        async with self._database.read(self._found.tenant) as tx:
            view = await self._view(tx, await estimate_links.get(tx, self._found.id))
        state = view.state(self._now)
        language = Language.of(view.link.language, view.link.units)
        if state == "open":
            return Shown(state, self._asking(view, view.choice(options), name, trouble, language))
        return Shown(state, _told(view, state, language))

    async def note(self) -> None:
        """Keep that the page was fetched."""
        async with self._database.write(self._found.tenant) as tx:
            await estimate_links.note_seen(tx, self._found.id, self._now)

    async def answer(self, form: EstimateForm) -> Outcome:
        """Do to the quote what the customer says, if the form is about what stands there now."""
        try:
            async with self._database.write(self._found.tenant) as tx:
                return await self._answered(tx, form)
        except CotterlineError as error:
            if error.code not in _OVERTAKEN:
                raise
            return "changed"

    async def _answered(self, tx: WriteTransaction, form: EstimateForm) -> Outcome:
        view = await self._view(tx, await estimate_links.hold(tx, self._found.id))
        said: LinkAnswer = "approved" if form.do == "approve" else "declined"
        if view.state(self._now) != "open":
            return "done" if view.link.ended_at is None and view.link.answer == said else "closed"
        shown = view.choice(form.shown)
        trouble = "changed" if not is_seal(form.seal, self._seal(view, shown)) else _trouble(form, shown)
        if trouble is not None:
            return trouble
        await self._act(tx, view, _asked(form, shown))
        await estimate_links.answer(tx, view.link.id, said, self._now)
        return "done"

    async def _act(self, tx: WriteTransaction, view: _View, asked: TransitionRequest) -> None:
        caller = Caller(self._found.tenant, _actor(view.link), frozenset())
        await QuoteChange(tx, caller, self._now).act(view.held.quote.id, view.held.etag(self._now), asked)

    async def _view(self, tx: ReadTransaction, link: LinkRow | None) -> _View:
        """Everything the link shows.

        Raises:
            RuntimeError: something is not there, though links and revisions are never deleted.
        """
        shop = await shops.get(tx)
        revision = await quote_revisions.get(tx, link.quote_id, link.revision) if link else None
        offer = offer_of(revision.result) if revision else None
        if link is None or shop is None or offer is None:
            raise RuntimeError("a link leads to what is not there")
        held = await find(tx, link.quote_id)
        given = [row for row in await approvals.every(tx, link.quote_id) if row.actor == _actor(link)]
        return _View(
            link=link,
            held=held,
            offer=offer,
            sheet=Sheet(shop=shop.name, trial=tx.tenant.mode == "test", reference=held.quote.reference),
            agreed=given[0] if given else None,
            in_force=await approvals.in_force(tx, link.quote_id),
        )

    def _seal(self, view: _View, shown: Choice) -> str:
        return seal(self._token, view.link, view.held.quote.version, shown)

    def _asking(self, view: _View, shown: Choice, name: str, trouble: TroubleKind | None, language: Language) -> Page:
        asked = Asked(offer=view.offer, choice=shown, expires_at=view.link.expires_at)
        form = Form(action=self._token, seal=self._seal(view, shown), name=name, trouble=trouble)
        return asking(view.sheet, asked, form, language)


def _trouble(form: EstimateForm, shown: Choice) -> TroubleKind | None:
    """Why an answer to what stands there cannot be taken as it is; to decline, nothing more is needed."""
    if form.do == "decline":
        return None
    if isinstance(shown.ceiling, UnsetType):
        return "changed"
    if {*form.ticked} != {*shown.options}:
        return "options"
    return None if form.signed else "name"


def _asked(form: EstimateForm, shown: Choice) -> TransitionRequest:
    """What an answer does to the quote.

    Raises:
        RuntimeError: it agrees to nothing.
    """
    if form.do == "decline":
        return TransitionRequest(action="decline")
    if shown.ceiling is UNSET:
        raise RuntimeError("nothing was shown that could be agreed to")
    approval = ApprovalRequest(ceiling=shown.ceiling, options=shown.options, by=form.name, how="link")
    return TransitionRequest(action="approve", approval=approval)


def _actor(link: LinkRow) -> str:
    """Who acts where a link was answered: it, in the place of a key."""
    return f"link:{link.id}"


def _told(view: _View, state: LinkState, language: Language) -> Page:
    """The page of a link that can no longer be answered."""
    if state == "answered":
        return answered(_said(view, language), view.sheet, language)
    if state == "expired":
        ends = [at for at in (view.link.expires_at, view.held.quote.expires_at) if at is not None]
        return closed("expired", language, view.sheet, time=language.time(min(ends)))
    return closed("ended" if state == "ended" else _overtaken_by(view), language, view.sheet)


def _overtaken_by(view: _View) -> ClosedKind:
    if view.held.quote.revision != view.link.revision:
        return "revised"
    match view.held.quote.state:
        case "approved" | "ordered":
            return "agreed-elsewhere"
        case "declined":
            return "declined-elsewhere"
        case _:
            return "closed"


def _said(view: _View, language: Language) -> Answered:
    """What was answered, and what has become of it."""
    at = view.link.answered_at or view.link.created_at
    if view.agreed is None:
        return Answered(at=at)
    options = msgspec.json.decode(view.agreed.options, type=tuple[OptionId, ...])
    return Answered(
        at=at,
        ceiling=view.agreed.most,
        options=option_names(view.offer, options, language),
        since=_since(view, view.agreed),
        now=view.in_force.most if view.in_force else UNSET,
    )


def _since(view: _View, agreed: ApprovalRow) -> Since | None:
    if agreed.ended_why == "extended" and view.in_force is None:
        return "revised" if view.held.quote.revision != agreed.revision else "closed"
    if agreed.ended_why is not None:
        return agreed.ended_why
    return "ordered" if view.held.quote.state == "ordered" else None
