"""What changes a quote: making it, patching it, acting on it; each within the transaction it is handed."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

import cotterline
from cotterline.api.body import decode
from cotterline.api.caller import Caller
from cotterline.api.conditions import overtaken, require
from cotterline.api.kept_approvals import Agreement
from cotterline.api.kept_quote import HeldQuote
from cotterline.api.merge_patch import merged
from cotterline.api.problems import ProblemError, RequestRefusedError
from cotterline.api.quote_requests import QuotePatch, TransitionRequest
from cotterline.api.workshops import WorkshopAsKept
from cotterline.api.workshops import read as read_workshop
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.events import EventType
from cotterline.bench.quantity import refuse
from cotterline.bench.quote_life import QuoteAction, QuoteState, state_after
from cotterline.bench.quotes import MAX_METADATA, QuoteRequest, quote
from cotterline.delivery.quote_events import tell
from cotterline.store import quote_revisions, quote_transitions, quotes
from cotterline.store.audit import record
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.quote_revisions import RevisionRow
from cotterline.store.quote_transitions import TransitionRow
from cotterline.store.quotes import QuoteRow
from cotterline.store.shop_documents import SETTINGS

MAX_REVISIONS: Final = 200
"""More than this is another job."""

_DONE: Final[Mapping[QuoteAction, str]] = {"revise": "revised", "extend": "extended", "exchange": "exchanged"}
"""What was done, where the state it leads to does not say so."""

_REQUEST: Final = "/request"
_OWN_MEMBERS: Final = ("reference", "metadata")
_OUTCOME: Final = "After the patch the quote would not fit the schema."


class _Ordering(msgspec.Struct):
    allowed: bool


class _Orderable(msgspec.Struct):
    """The one part of a result that an order looks at."""

    ordering: _Ordering


async def find(tx: ReadTransaction, quote_id: UUID) -> HeldQuote:
    """The tenant's quote with the revision that holds.

    Raises:
        CotterlineError: ``not-found``.
    """
    row = await quotes.get(tx, quote_id)
    revision = await quote_revisions.get(tx, quote_id, row.revision) if row else None
    if row is None or revision is None:
        raise CotterlineError("not-found", "No quote has this id.")
    return HeldQuote(quote=row, revision=revision)


def computed(request: QuoteRequest, quote_id: UUID, number: int, shop: WorkshopAsKept, now: datetime) -> RevisionRow:
    """Do the job and return it as it is kept: with its derivation, so that an old quote can be explained."""
    asked = msgspec.structs.replace(request, reference=UNSET, metadata=UNSET)
    result = quote(asked, shop.workshop, Trace())
    return RevisionRow(
        quote_id=quote_id,
        number=number,
        created_at=now,
        actor="",
        settings_version=shop.settings_version,
        verdict_state=result.verdict.state,
        leading_family=result.verdict.leading.drive,
        core_version=cotterline.__version__,
        request=msgspec.json.encode(asked),
        result=msgspec.json.encode(result),
    )


def drafted(request: QuoteRequest, revision: RevisionRow) -> HeldQuote:
    """A new quote with its first revision."""
    row = QuoteRow(
        id=revision.quote_id,
        created_at=revision.created_at,
        state="draft",
        version=1,
        revision=revision.number,
        expires_at=None,
        reference=request.reference or None,
        metadata=msgspec.json.encode(request.metadata or {}),
        verdict_state=revision.verdict_state,
        leading_family=revision.leading_family,
        core_version=revision.core_version,
    )
    return HeldQuote(quote=row, revision=revision)


class QuoteChange:
    """Changes quotes within one transaction, for one caller, at one time."""

    def __init__(self, tx: WriteTransaction, caller: Caller, now: datetime) -> None:
        self._tx = tx
        self._caller = caller
        self._now = now

    async def make(self, request: QuoteRequest, quote_id: UUID) -> HeldQuote:
        """Do the job and keep it as a draft."""
        held = drafted(request, await self._computed(request, quote_id, 1))
        await quotes.insert(self._tx, held.quote)
        await quote_revisions.insert(self._tx, held.revision)
        await self._record("created", held, {})
        return held

    async def patch(self, quote_id: UUID, wanted: str, patch: QuotePatch) -> HeldQuote:
        """Change what the patch names; another request makes another revision, and so a draft."""
        held = await find(self._tx, quote_id)
        require(wanted, held.etag(self._now))
        row = msgspec.structs.replace(
            held.quote,
            reference=_patched_reference(patch, held.quote),
            metadata=_patched_metadata(patch, held.quote),
        )
        if row == held.quote and isinstance(patch.request, UnsetType):
            return held
        row = msgspec.structs.replace(row, erased_at=None)  # what it says now is not erased
        changed = HeldQuote(quote=msgspec.structs.replace(row, version=row.version + 1), revision=held.revision)
        if isinstance(patch.request, UnsetType):
            await self._replace(held, changed)
            await self._record("changed", changed, {})
            return changed
        state = state_after(held.state(self._now), "revise")
        request = _patched_request(patch.request, held.revision)
        try:
            changed = await self._revised(changed, request)
        except CotterlineError as error:
            raise _led(error, _REQUEST) from error
        return await self._act(held, changed, TransitionRequest(action="revise"), state)

    async def act(
        self, quote_id: UUID, wanted: str, asked: TransitionRequest, *, overridden: bool = False
    ) -> HeldQuote:
        """Do what is asked for, if the quote's state allows it.

        Args:
            quote_id: of the quote.
            wanted: the version it is done to, as in ``If-Match``.
            asked: what is done.
            overridden: whether a person answers for ordering what the result does not allow to be ordered.
        """
        held = await find(self._tx, quote_id)
        require(wanted, held.etag(self._now))
        state = state_after(held.state(self._now), asked.action)
        if asked.action == "order" and not (overridden or _orderable(held.revision)):
            raise CotterlineError("order-not-allowed", "What stands against an order is in result.ordering.reasons.")
        row = msgspec.structs.replace(
            held.quote, version=held.quote.version + 1, expires_at=await self._expiry(state, asked)
        )
        changed = HeldQuote(quote=row, revision=held.revision)
        if asked.action == "revise":
            changed = await self._revised(changed, msgspec.json.decode(held.revision.request, type=QuoteRequest))
        return await self._act(held, changed, asked, state)

    async def _expiry(self, state: QuoteState, asked: TransitionRequest) -> datetime | None:
        """Until when the quote holds in its new state; of one that expired, when it did."""
        if state != "issued":
            return self._now if state == "expired" else None
        if isinstance(asked.valid_days, int):
            return self._now + timedelta(days=asked.valid_days)
        return self._now + timedelta(days=(await SETTINGS.current(self._tx)).content.quote_valid_days)

    async def _computed(self, request: QuoteRequest, quote_id: UUID, number: int) -> RevisionRow:
        revision = computed(request, quote_id, number, await read_workshop(self._tx), self._now)
        return msgspec.structs.replace(revision, actor=self._caller.key_id)

    async def _revised(self, held: HeldQuote, request: QuoteRequest) -> HeldQuote:
        number = held.quote.revision + 1
        if number > MAX_REVISIONS:
            raise CotterlineError("wrong-state", f"The quote has {MAX_REVISIONS} revisions: make another quote.")
        revision = await self._computed(request, held.quote.id, number)
        row = msgspec.structs.replace(
            held.quote,
            revision=number,
            expires_at=None,
            verdict_state=revision.verdict_state,
            leading_family=revision.leading_family,
            core_version=revision.core_version,
        )
        return HeldQuote(quote=row, revision=revision)

    async def _act(self, before: HeldQuote, after: HeldQuote, asked: TransitionRequest, state: QuoteState) -> HeldQuote:
        """Keep the quote in its new state, what is agreed now, and who did what when."""
        after = msgspec.structs.replace(after, quote=msgspec.structs.replace(after.quote, state=state))
        await self._replace(before, after)
        if after.revision is not before.revision:
            await quote_revisions.insert(self._tx, after.revision)
        await Agreement(self._tx, self._now, self._caller.key_id).act(after, asked)
        transition = TransitionRow(
            quote_id=after.quote.id,
            version=after.quote.version,
            at=self._now,
            actor=self._caller.key_id,
            action=asked.action,
            from_state=before.state(self._now),
            to_state=state,
            revision=after.quote.revision,
            note=None if isinstance(asked.note, UnsetType) else asked.note,
        )
        await quote_transitions.insert(self._tx, transition)
        await self._record(_DONE.get(asked.action, state), after, {"from_state": transition.from_state})
        return after

    async def _replace(self, before: HeldQuote, after: HeldQuote) -> None:
        if not await quotes.change(self._tx, after.quote, before.quote.version):
            raise overtaken()

    async def _record(self, done: str, held: HeldQuote, detail: dict[str, object]) -> None:
        await record(
            self._tx,
            self._caller.tenant,
            at=self._now,
            actor=self._caller.key_id,
            action=f"quote.{done}",
            subject_kind="quote",
            subject_id=str(held.quote.id),
            detail={"revision": held.quote.revision} | detail,
        )
        await tell(self._tx, msgspec.convert(f"quote.{done}", EventType), held.quote, self._now)


def _orderable(revision: RevisionRow) -> bool:
    return msgspec.json.decode(revision.result, type=_Orderable).ordering.allowed


def _patched_reference(patch: QuotePatch, row: QuoteRow) -> str | None:
    return row.reference if isinstance(patch.reference, UnsetType) else patch.reference


def _patched_metadata(patch: QuotePatch, row: QuoteRow) -> bytes:
    if isinstance(patch.metadata, UnsetType):
        return row.metadata
    kept = merged(msgspec.json.decode(row.metadata), patch.metadata) or {}
    if len(kept) > MAX_METADATA:
        fault = ProblemError(pointer="/metadata", detail=f"would have {len(kept)} pairs, more than {MAX_METADATA}")
        raise RequestRefusedError("patch-outcome", _OUTCOME, [fault])
    return msgspec.json.encode(kept)


def _patched_request(patch: dict[str, Any], revision: RevisionRow) -> QuoteRequest:
    own = [name for name in _OWN_MEMBERS if name in patch]
    refuse([Fault(f"{_REQUEST}/{name}", f"is patched as /{name}, beside the request") for name in own])
    try:
        outcome = msgspec.json.encode(merged(msgspec.json.decode(revision.request), patch))
        request: QuoteRequest = decode(outcome, QuoteRequest)
    except RecursionError as error:
        raise RequestRefusedError("malformed-request", "The patch is nested too deeply.") from error
    except RequestRefusedError as error:
        led = [ProblemError(pointer=f"{_REQUEST}{fault.pointer}", detail=fault.detail) for fault in error.errors]
        raise RequestRefusedError("patch-outcome", _OUTCOME, led) from error
    return request


def _led(error: CotterlineError, pointer: str) -> CotterlineError:
    """The same refusal with its pointers leading from the body's root."""
    faults = [Fault(pointer + fault.pointer, fault.detail) for fault in error.faults]
    return CotterlineError(error.code, error.detail, faults)
