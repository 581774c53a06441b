"""Approvals: what the customer agreed to, each time, and what came of it."""

from datetime import datetime
from uuid import UUID

import msgspec
from litestar import get
from litestar.di import NamedDependency
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.quote_changes import find
from cotterline.api.quotes import EXAMPLE_NOW, QuoteId
from cotterline.bench.approvals import EndOfApproval, Means
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.store import approvals
from cotterline.store.approvals import ApprovalRow
from cotterline.store.database import Database


class Approval(msgspec.Struct, frozen=True, kw_only=True):
    """Something a customer agreed to.

    Attributes:
        in_force: whether it holds now; of a quote's, one at most.
        revision: the revision that was agreed to.
        ceiling: the most the whole job may come to.
        options: which of the estimate's options are wanted.
        by: who agreed, as the name was given.
        how: how the customer said so.
        at: when it was recorded.
        recorded_with: id of the key it was recorded with, or `link:` and the id of the link a customer answered by.
        ended_at: when it ceased to hold.
        ended_why: what ended it.
        charged: what was charged in the end.
    """

    in_force: bool
    revision: int
    ceiling: Money
    options: tuple[OptionId, ...]
    by: str
    how: Means
    at: datetime
    recorded_with: str
    ended_at: datetime | UnsetType = UNSET
    ended_why: EndOfApproval | UnsetType = UNSET
    charged: Money | UnsetType = UNSET


class ApprovalList(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a customer agreed to.

    Attributes:
        approvals: the first one first.
    """

    approvals: tuple[Approval, ...]


def told(row: ApprovalRow) -> Approval:
    """An approval for the wire."""
    return Approval(
        in_force=row.ended_at is None,
        revision=row.revision,
        ceiling=row.most,
        options=msgspec.json.decode(row.options, type=tuple[OptionId, ...]),
        by=row.given_by,
        how=row.how,
        at=row.at,
        recorded_with=row.actor,
        ended_at=row.ended_at or UNSET,
        ended_why=row.ended_why or UNSET,
        charged=Money(amount=row.charged, currency=row.currency) if row.charged else UNSET,
    )


_EXAMPLE = ApprovalRow(
    quote_id=UUID(EXAMPLE_ID),
    version=3,
    revision=1,
    ceiling="140.00",
    currency="EUR",
    options=b"[]",
    given_by="Ada Fell",
    how="telephone",
    at=EXAMPLE_NOW,
    actor=EXAMPLE_ID,
)


@get(
    "/v1/quotes/{quote_id:uuid}/approvals",
    operation_id="listApprovals",
    tags=["quotes"],
    summary="List what the customer agreed to",
    opt={
        "scope": "read",
        "examples": {"one": Example("Agreed by telephone", lambda: ApprovalList(approvals=(told(_EXAMPLE),)))},
    },
)
async def every(
    quote_id: QuoteId, caller: NamedDependency[Caller], database: NamedDependency[Database]
) -> ApprovalList:
    """Give every approval of a quote: the ceiling, the options, who agreed, how, and what ended it."""
    async with database.read(caller.tenant) as tx:
        await find(tx, quote_id)
        found = await approvals.every(tx, quote_id)
    return ApprovalList(approvals=tuple(map(told, found)))
