"""The demonstration's second half: parts are ordered, sent, answered and judged, and the booking system is told."""

import textwrap
import time
from collections.abc import Iterable
from typing import Final, NamedTuple
from urllib.parse import quote as escaped
from uuid import UUID

import click
import msgspec

from cotterline.api.bicycles.bike import printable
from cotterline.api.kept_quote import Quote
from cotterline.api.order_previews import OrderPreviews
from cotterline.api.orders import KeptOrder, PlacedOrders
from cotterline.bench.approvals import ApprovalRequest
from cotterline.bench.orders import OrderRequest
from cotterline.bench.pricing.ceiling import Ceiling
from cotterline.bench.replies import OrderState
from cotterline.bench.suppliers import Supplier
from cotterline.cli.booking_system import BookingSystem, Told
from cotterline.cli.local_service import LocalService, LocalServiceError
from cotterline.practice_supplier.rules import ORDERS, REPLY_SECRET, SIGNING_SECRET

ANSWER_SECONDS: Final = 60.0
"""How long the supplier may take until an order stands where it is expected to."""

HEADING: Final = "From quote to dispatch"
WIDTH: Final = 80

_POLL_SECONDS: Final = 0.1
_INDENT: Final = "    "


class Ordering(NamedTuple):
    """A bicycle whose parts are ordered.

    Attributes:
        reference: of its quote.
        rules: what the practice supplier is told to do.
        ends: where each order stands at last, by the suppliers' names.
    """

    reference: str
    rules: str
    ends: tuple[OrderState, ...]


ORDERED: Final = (
    Ordering("Blue tourer, read in inches", "substitute-good dispatch", ("dispatched",)),
    Ordering("Orange hub-gear city bicycle", "substitute-bad", ("partly_accepted",)),
    Ordering("Green roadster, cottered", "dispatch", ("dispatched",)),
    Ordering("Ochre roadster, its like, nuts seized", "dispatch", ("dispatched",)),
    Ordering("Cream step-through bicycle", "dispatch", ("dispatched", "dispatched")),
)
"""A substitute that fits, one that does not, and two lengths of which one goes back."""


class _Event(msgspec.Struct):
    """The part of an event that the demonstration prints."""

    type: str
    position: int
    sequence: int


class _Events(msgspec.Struct):
    """The same of a list of events."""

    events: list[_Event]
    last_position: int


class DemoOrders:
    """Takes quotes from a draft to orders that were answered, and prints what happened.

    Args:
        service: the running service.
        booking: the shop's other system, which wants to be told.
        show_bytes: whether every post is printed as it went out.
    """

    def __init__(self, service: LocalService, booking: BookingSystem, *, show_bytes: bool) -> None:
        self._service = service
        self._booking = booking
        self._show_bytes = show_bytes
        self._since = 0

    def set_up(self, suppliers: Iterable[str], practice_url: str) -> None:
        """Have orders go to the practice supplier, and events to the booking system."""
        for name in suppliers:
            path = f"/v1/suppliers/{escaped(name)}"
            supplier = Supplier(endpoint=practice_url + ORDERS)
            self._service.put_new(path, "application/json", msgspec.json.encode(supplier))
            for purpose, text in (("signing", SIGNING_SECRET), ("reply", REPLY_SECRET)):
                self._service.post(f"{path}/secrets", msgspec.json.encode({"purpose": purpose, "text": text}))
        self._since = msgspec.json.decode(self._service.get("/v1/events?limit=1"), type=_Events).last_position
        made = self._service.post("/v1/subscriptions", msgspec.json.encode({"endpoint": self._booking.url}))
        self._booking.secret = msgspec.json.decode(made)["secret"]

    def order(self, quotes: list[Quote]) -> None:
        """Order the parts of the chosen bicycles and print what came of each."""
        click.echo(f"{HEADING}\n")
        for chosen in ORDERED:
            (quote,) = (quote for quote in quotes if quote.reference == chosen.reference)
            self._order(quote, chosen)

    def _order(self, quote: Quote, chosen: Ordering) -> None:
        click.echo(chosen.reference)
        path = f"/v1/quotes/{quote.id}"
        told = {"reference": f"{chosen.reference} [{chosen.rules}]"}
        self._service.patch(path, msgspec.json.encode(told))
        self._service.act(f"{path}/transitions", b'{"action":"issue"}')
        ceiling = quote.result.estimate.ceiling
        if not isinstance(ceiling, Ceiling):
            raise LocalServiceError(f"{chosen.reference} has no ceiling to ask for")
        approval = ApprovalRequest(ceiling=ceiling.amount, by="A. Rower", how="telephone")
        agreed = {"action": "approve", "approval": approval}
        self._service.act(f"{path}/transitions", msgspec.json.encode(agreed))
        say(f"approved by telephone up to {ceiling.amount.amount} {ceiling.amount.currency}")
        previews = self._previews(path)
        placed = self._service.post(f"{path}/orders", msgspec.json.encode(OrderRequest()))
        orders = msgspec.json.decode(placed, type=PlacedOrders).orders
        for order, end in zip(orders, chosen.ends, strict=True):
            self.follow(order.id, end)
        for preview in previews.orders if self._show_bytes else ():
            headers = "".join(f"{name}: {value}\n" for name, value in preview.headers.items())
            _show(f"POST {preview.url}\n{headers}\n{preview.body}")
        click.echo()

    def _previews(self, path: str) -> OrderPreviews:
        body = msgspec.json.encode({"order": OrderRequest()})
        return msgspec.json.decode(self._service.act(f"{path}/order-previews", body), type=OrderPreviews)

    def follow(self, order_id: UUID, end: OrderState) -> None:
        """Print an order's way to where it stands at last, and send back what was only ordered to be tried."""
        order = self._awaited(order_id, end)
        document = order.document
        lines = ", ".join(f"{line.quantity.value} x {line.name}" for line in document.lines)
        total = f"{document.goods_total.amount} {document.goods_total.currency}"
        say(f"ordered of {document.supplier}: {lines}; {total}")
        if self._show_bytes:
            _show(
                f"GET /v1/orders/{order_id}/replies\n\n{self._service.get(f'/v1/orders/{order_id}/replies').decode()}"
            )
        for decision in order.decisions:
            name = document.lines[decision.line - 1].name
            taken = "taken" if decision.taken else "refused"
            say(f"{decision.about} for {name}: {taken} by {decision.by}", deeper="  ")
            for reason in decision.reasons:
                say(reason, deeper="    ")
        _stand(order)
        if document.returns:
            spare = next(line for line in reversed(document.lines) if line.returnable)
            change = {"changes": [{"line": spare.number, "change": "return"}], "note": "The other length was fitted."}
            self._service.post(f"/v1/orders/{order_id}/changes", msgspec.json.encode(change))
            say(f"tried both lengths; {spare.name} goes back", deeper="  ")
            _stand(self._awaited(order_id, "returned"))

    def _awaited(self, order_id: UUID, state: OrderState) -> KeptOrder:
        end = time.monotonic() + ANSWER_SECONDS
        while (order := self._read(order_id)).standing.state != state:
            if time.monotonic() > end:
                raise LocalServiceError(f"the order stands at {order.standing.state} and not at {state}")
            time.sleep(_POLL_SECONDS)
        return order

    def _read(self, order_id: UUID) -> KeptOrder:
        return msgspec.json.decode(self._service.get(f"/v1/orders/{order_id}"), type=KeptOrder)

    def print_events(self) -> None:
        """Print what the booking system was told, once it has heard of everything that can be read again as well."""
        listed = self._listed()
        self._wait_until_told({event.position for event in listed})
        told = {_event(post).position: post for post in self._booking.told}
        genuine = sum(post.genuine for post in self._booking.told)
        click.echo(f"The booking system was told {len(told)} things; {genuine} signatures hold.")
        for event in listed:
            say(f"{event.position:>3}  {event.type:<20} version {event.sequence}")
            if self._show_bytes:
                _print_bytes(told[event.position])
        click.echo()

    def _listed(self) -> list[_Event]:
        """What happened since the booking system subscribed, as /v1/events has it."""
        found = self._service.get(f"/v1/events?limit=200&after={self._since}")
        return msgspec.json.decode(found, type=_Events).events

    def _wait_until_told(self, positions: set[int]) -> None:
        end = time.monotonic() + ANSWER_SECONDS
        while missing := positions - {_event(post).position for post in self._booking.told}:
            if time.monotonic() > end:
                raise LocalServiceError(f"the booking system was never told of events {sorted(missing)}")
            time.sleep(_POLL_SECONDS)


def _stand(order: KeptOrder) -> None:
    lines = [f"line {line.line} {line.state.replace('_', ' ')}" for line in order.standing.lines]
    say(f"the order is {order.standing.state.replace('_', ' ')}: {', '.join(lines)}", deeper="  ")


def _event(post: Told) -> _Event:
    return msgspec.json.decode(post.body, type=_Event)


def _print_bytes(post: Told) -> None:
    headers = "".join(
        f"{name}: {value}\n" for name, value in post.headers.items() if name.startswith(("webhook-", "content-"))
    )
    _show(f"{headers}\n{post.body.decode()}")


def say(words: str, *, deeper: str = "") -> None:
    """Print a paragraph no wider than a narrow terminal."""
    begin = _INDENT + deeper
    click.echo(textwrap.fill(printable(words), WIDTH, initial_indent=begin, subsequent_indent=begin + "  "))


def _show(post: str) -> None:
    """Print what went over the line as it is."""
    click.echo(textwrap.indent(post, _INDENT + "| "))
