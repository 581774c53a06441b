"""Who else is told what happens: an address of the shop's own, and the types of events it wants."""

from typing import Annotated

import msgspec
from msgspec import Meta

from cotterline.bench.events import EventType
from cotterline.bench.shop import NO_NUL
from cotterline.bench.suppliers import Endpoint

Types = Annotated[tuple[EventType, ...], Meta(max_length=50)]
Note = Annotated[str, Meta(max_length=200, pattern=NO_NUL)]
Timeout = Annotated[int, Meta(ge=1, le=30)]


class Subscription(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One place where a shop wants to hear of events.

    Attributes:
        endpoint: where events are posted to.
        types: which ones; every one there is, and those to come, where left empty.
        note: the shop's own words for it.
        timeout_seconds: how long one post may take.
    """

    endpoint: Endpoint
    types: Types = ()
    note: Note = ""
    timeout_seconds: Timeout = 15

    def wants(self, event: EventType) -> bool:
        """Whether events of a type are posted to it.

        >>> Subscription(endpoint="https://till.example/events", types=("order.sent",)).wants("order.placed")
        False
        """
        return not self.types or event in self.types
