"""What a shop's other systems are told, each time with the full state of what it happened to."""

from collections.abc import Mapping
from typing import Final, Literal, get_args

EventType = Literal[
    "quote.created",
    "quote.changed",
    "quote.revised",
    "quote.issued",
    "quote.approved",
    "quote.extended",
    "quote.declined",
    "quote.expired",
    "quote.ordered",
    "quote.exchanged",
    "quote.closed",
    "quote.erased",
    "order.placed",
    "order.sent",
    "order.undelivered",
    "order.replied",
    "order.decided",
    "order.changed",
    "fit_report.made",
    "recheck_visit.due",
    "quote_run.finished",
    "quote_run.cancelled",
    "supplier.disabled",
    "subscription.disabled",
    "test.sent",
]
EVENT_TYPES: Final[tuple[EventType, ...]] = get_args(EventType)
ResourceKind = Literal["quote", "order", "fit_report", "recheck_visit", "quote_run", "supplier", "subscription"]
RESOURCE_KINDS: Final[tuple[ResourceKind, ...]] = get_args(ResourceKind)

MEANINGS: Final[Mapping[EventType, str]] = {
    "quote.created": "A quote was made; it is a draft.",
    "quote.changed": "A quote's reference or metadata changed.",
    "quote.revised": "A quote was computed anew, with other measurements or the settings of now; it is a draft again.",
    "quote.issued": "A quote was given to the customer.",
    "quote.approved": "The customer agreed, to a ceiling and to options.",
    "quote.extended": "The customer agreed to a higher ceiling.",
    "quote.declined": "The customer does not want the job, or no longer.",
    "quote.expired": "An offer ended unanswered, by itself or sooner.",
    "quote.ordered": "The parts of a quote were ordered.",
    "quote.exchanged": "Another spindle was taken, since the one that was fitted missed.",
    "quote.closed": "Nothing more happens to a quote.",
    "quote.erased": "The customer's words were taken out of a quote and of all that is kept of it.",
    "order.placed": "An order was placed and will be posted to the supplier.",
    "order.sent": "The supplier's server took an order.",
    "order.undelivered": "An order did not get through, and is not tried any more.",
    "order.replied": "Something was heard of the supplier about an order.",
    "order.decided": "Something the supplier proposed was taken or refused, by rule or by a person.",
    "order.changed": "The shop cancelled or sent back something of an order.",
    "fit_report.made": "A job was measured once the crank was on, and passed or missed.",
    "recheck_visit.due": "A bicycle that was fitted is to be looked at again.",
    "quote_run.finished": "Every bicycle of a run was answered.",
    "quote_run.cancelled": "A run ended before every bicycle was answered, by itself where nobody went on with it.",
    "supplier.disabled": "Nothing is posted to a supplier any more, until somebody enables it.",
    "subscription.disabled": "Nothing is posted to a subscription any more, until somebody enables it.",
    "test.sent": "Nothing happened: somebody wants to see an event arrive.",
}
"""What happened, for each type of event."""


def resource_of(event: EventType) -> ResourceKind:
    """The kind of thing that events of a type tell of.

    >>> resource_of("test.sent")
    'subscription'
    """
    kind = event.partition(".")[0]
    for known in RESOURCE_KINDS:
        if kind == known:
            return known
    return "subscription"
