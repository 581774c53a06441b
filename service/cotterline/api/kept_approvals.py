"""What an act on a quote does to what the customer agreed to; within the act's own transaction."""

from collections.abc import Mapping
from datetime import datetime
from typing import Final

import msgspec
from msgspec import UnsetType

from cotterline.api.kept_quote import HeldQuote
from cotterline.api.quote_requests import TransitionRequest
from cotterline.bench.approvals import (
    ApprovalRequest,
    EndOfApproval,
    check_approval,
    check_charge,
    check_extension,
    hold_to_ceiling,
)
from cotterline.bench.errors import CotterlineError
from cotterline.bench.money import Money
from cotterline.bench.quantity import refuse
from cotterline.bench.quote_life import QuoteAction
from cotterline.store import approvals
from cotterline.store.approvals import ApprovalRow, End
from cotterline.store.database import WriteTransaction
from cotterline.store.quote_revisions import RevisionRow
from cotterline.store.shop_documents import SETTINGS

_POINTER: Final = "/approval"
_ENDS: Final[Mapping[QuoteAction, EndOfApproval]] = {"decline": "declined", "revise": "revised", "close": "closed"}


class _Option(msgspec.Struct, frozen=True):
    option: str


class _Estimate(msgspec.Struct, frozen=True):
    options: tuple[_Option, ...] = ()


class _Estimated(msgspec.Struct, frozen=True):
    """The one part of a result that an approval looks at; a revision from before there were estimates has none."""

    estimate: _Estimate = _Estimate()


class Agreement:
    """What the customer agreed to, as one act changes it.

    Args:
        tx: the act's transaction.
        now: when it is done.
        actor: id of the key it is done with.
    """

    def __init__(self, tx: WriteTransaction, now: datetime, actor: str) -> None:
        self._tx = tx
        self._now = now
        self._actor = actor

    async def act(self, held: HeldQuote, asked: TransitionRequest) -> None:
        """Record, end or ask for the approval, as the act wants it; ``held`` is the quote with its next version.

        Raises:
            CotterlineError: ``approval-missing``, ``beyond-ceiling``, or ``impossible-value`` with every fault.
        """
        before = await approvals.in_force(self._tx, held.quote.id)
        if isinstance(asked.approval, ApprovalRequest):
            await self._agree(held, asked.approval, before)
        elif asked.action == "order" and before is None:
            raise _missing("Nothing is ordered before the customer has agreed to a ceiling.")
        elif asked.action in _ENDS:
            charged = _charged(asked, before)
            if before is not None:
                await approvals.end(self._tx, before, End(at=self._now, why=_ENDS[asked.action], charged=charged))

    async def _agree(self, held: HeldQuote, asked: ApprovalRequest, before: ApprovalRow | None) -> None:
        currency = await self._currency(held.revision)
        faults = [*check_approval(asked, currency, options_of(held.revision), _POINTER)]
        if before is not None and not faults:
            faults += check_extension(asked, before.most, _POINTER)
        refuse(faults)
        if before is not None:
            await approvals.end(self._tx, before, End(at=self._now, why="extended"))
        await approvals.insert(self._tx, self._row(held, asked, before))

    def _row(self, held: HeldQuote, asked: ApprovalRequest, before: ApprovalRow | None) -> ApprovalRow:
        kept = before.options if before is not None else b"[]"
        return ApprovalRow(
            quote_id=held.quote.id,
            version=held.quote.version,
            revision=held.quote.revision,
            ceiling=asked.ceiling.amount,
            currency=asked.ceiling.currency,
            options=kept if isinstance(asked.options, UnsetType) else msgspec.json.encode(asked.options),
            given_by=asked.by,
            how=asked.how,
            at=self._now,
            actor=self._actor,
        )

    async def _currency(self, revision: RevisionRow) -> str:
        """The currency of the settings the revision was computed with."""
        found = await SETTINGS.get(self._tx, revision.settings_version)
        return (found or SETTINGS.unset).content.currency


def options_of(revision: RevisionRow) -> frozenset[str]:
    """The options a revision's estimate offers."""
    estimate = msgspec.json.decode(revision.result, type=_Estimated).estimate
    return frozenset(option.option for option in estimate.options)


def _charged(asked: TransitionRequest, before: ApprovalRow | None) -> str | None:
    if not isinstance(asked.charged, Money):
        return None
    if before is None:
        raise _missing("Nothing is charged for work the customer has agreed to no ceiling for.")
    refuse([*check_charge(asked.charged, before.most, "/charged")])
    hold_to_ceiling(asked.charged, before.most)
    return asked.charged.amount


def _missing(words: str) -> CotterlineError:
    return CotterlineError("approval-missing", words)
