"""Links to an estimate: what became of one, and what its customer said.

A link shows one revision to whoever holds it. Common practice, no source.
"""

from datetime import datetime
from typing import Literal

import msgspec

from cotterline.bench.quote_life import QuoteState

LinkState = Literal["open", "answered", "expired", "ended", "overtaken"]
LinkAnswer = Literal["approved", "declined"]


class LinkLife(msgspec.Struct, frozen=True, kw_only=True):
    """What there is to know of a link to tell where it stands.

    Attributes:
        revision: number of the revision it shows.
        expires_at: until when it can be answered.
        ended_at: when the shop ended it, if it did.
        answered_at: when it was answered, if it was.
    """

    revision: int
    expires_at: datetime
    ended_at: datetime | None = None
    answered_at: datetime | None = None


def link_state(link: LinkLife, quote: QuoteState, revision: int, now: datetime) -> LinkState:
    """Where a link stands.

    Args:
        link: the link.
        quote: state of its quote, expiry included.
        revision: number of the quote's revision that holds.
        now: the present instant.

    >>> from datetime import UTC
    >>> noon = datetime(2024, 5, 1, 12, tzinfo=UTC)
    >>> link_state(LinkLife(revision=1, expires_at=noon), "issued", 1, noon)
    'expired'
    """
    if link.ended_at is not None:
        return "ended"
    if link.answered_at is not None:
        return "answered"
    ran_out = quote == "expired" and revision == link.revision
    if link.expires_at <= now or ran_out:
        return "expired"
    return "open" if quote == "issued" and revision == link.revision else "overtaken"
