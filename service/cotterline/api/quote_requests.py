"""What can be sent to change a quote."""

from collections.abc import Iterator
from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.approvals import ApprovalRequest
from cotterline.bench.errors import Fault
from cotterline.bench.money import Money
from cotterline.bench.quote_life import QuoteAction
from cotterline.bench.quotes import MetadataName, MetadataValue, Reference
from cotterline.bench.shop import NO_NUL

ValidDays = Annotated[int, Meta(ge=1, le=365)]


class QuotePatch(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A JSON Merge Patch (RFC 7396) of a quote: what is absent stays, null removes.

    Attributes:
        reference: the shop's own name for the job; null removes it.
        metadata: pairs to set; null for a name removes the pair, null for all of it removes all.
        request: what was asked, merged member by member into the request that holds; lists are replaced whole. A new
            revision is computed with the settings of now, and the quote is a draft again.
    """

    reference: Reference | UnsetType | None = UNSET
    metadata: Annotated[dict[MetadataName, MetadataValue | None], Meta(max_length=40)] | UnsetType | None = UNSET
    request: dict[str, Any] | UnsetType = UNSET


class TransitionRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something to be done with a quote.

    Attributes:
        action: what; the table at ``/v1/reference/quote-life`` says from which states.
        note: the shop's own words, kept with it.
        valid_days: only to issue: how long the quote holds; as in the shop's settings unless given.
        approval: to approve and to extend, and only then: what the customer agreed to.
        charged: only to close: what the customer was charged; no more than the ceiling in force.
    """

    action: QuoteAction
    note: Annotated[str, Meta(min_length=1, max_length=500, pattern=NO_NUL)] | UnsetType = UNSET
    valid_days: ValidDays | UnsetType = UNSET
    approval: ApprovalRequest | UnsetType = UNSET
    charged: Money | UnsetType = UNSET


def check_transition(asked: TransitionRequest) -> Iterator[Fault]:
    """Yield what does not belong to the act, or is missing from it."""
    agrees = asked.action in {"approve", "extend"}
    if agrees and isinstance(asked.approval, UnsetType):
        yield Fault("/approval", f"is needed to {asked.action}: the ceiling the customer agreed to, who and how")
    if not agrees and not isinstance(asked.approval, UnsetType):
        yield Fault("/approval", "is only for an approve or an extend")
    if asked.action != "issue" and not isinstance(asked.valid_days, UnsetType):
        yield Fault("/valid_days", "is only for an issue")
    if asked.action != "close" and not isinstance(asked.charged, UnsetType):
        yield Fault("/charged", "is only for a close")
