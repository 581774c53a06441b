"""Who parts are ordered from: where orders go, how they are shaped and secured, and when they are worked on."""

from collections.abc import Hashable, Iterator, Sequence
from datetime import date
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

import msgspec
from msgspec import UNSET, Meta, UnsetType

from cotterline.bench.errors import Fault
from cotterline.bench.pricing.catalogue import Sku
from cotterline.bench.shop import NO_NUL

TAKEN_HEADERS: Final = frozenset(
    {
        "accept",
        "accept-encoding",
        "connection",
        "content-encoding",
        "content-length",
        "content-type",
        "date",
        "expect",
        "host",
        "keep-alive",
        "proxy-authenticate",
        "proxy-authorization",
        "proxy-connection",
        "te",
        "trailer",
        "transfer-encoding",
        "upgrade",
        "user-agent",
        "via",
        "webhook-id",
        "webhook-signature",
        "webhook-timestamp",
    }
)
"""Headers that no credential may stand in, in small letters: those of the transport and of the content (RFC 9110 and
RFC 9112), and those of the signature (Standard Webhooks 1.0)."""

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
HeaderName = Annotated[str, Meta(pattern=r"^[A-Za-z0-9-]{1,60}(?![\s\S])", max_length=60)]
Endpoint = Annotated[
    str,
    Meta(
        pattern=r"^https?://[!-~]{1,500}(?![\s\S])",
        max_length=508,
        description="Where it is posted to: http or https, without user and fragment.",
    ),
]


Expression = Annotated[
    str,
    Meta(min_length=1, max_length=4000, pattern=NO_NUL, description="JMESPath; its result is an object or an array."),
]


class Signature(
    msgspec.Struct, tag_field="kind", tag="signature", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """Nothing but the signature that every post carries once there is a secret for it (Standard Webhooks 1.0)."""


class Bearer(msgspec.Struct, tag_field="kind", tag="bearer", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The credential as a bearer token (RFC 6750, section 2.1)."""


class Basic(msgspec.Struct, tag_field="kind", tag="basic", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The credential as a password (RFC 7617).

    Attributes:
        user: without a colon.
    """

    user: Annotated[str, Meta(pattern=r"^[^:\x00-\x1f\x7f]{1,100}(?![\s\S])", max_length=100)]


class CustomHeader(
    msgspec.Struct, tag_field="kind", tag="header", frozen=True, kw_only=True, forbid_unknown_fields=True
):
    """The credential in a header of the supplier's own.

    Attributes:
        name: of the header; none that the transport itself or the signature uses.
    """

    name: HeaderName


Authentication = Signature | Bearer | Basic | CustomHeader


class OwnJson(msgspec.Struct, tag_field="form", tag="json", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The order as this service's own JSON document."""


class Ubl(msgspec.Struct, tag_field="form", tag="ubl", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The order as an XML document of UBL 2.1 (OASIS Universal Business Language 2.1, 2013; ISO/IEC 19845:2015)."""


class Mapped(msgspec.Struct, tag_field="form", tag="mapped", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The order in the supplier's own JSON.

    Attributes:
        expression: JMESPath over this service's own document; its result is what is sent.
        changes: the same over the document that changes an order; where left out, a change goes out in this service's
            own JSON.
    """

    expression: Expression
    changes: Expression | UnsetType = UNSET


BodyForm = OwnJson | Ubl | Mapped


class BusinessHours(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When the supplier works on orders.

    Attributes:
        timezone: name in the IANA time zone database.
        cut_off: local time until which an order is worked on the same day.
        days: on which it works.
        closed: single days on which it does not.
    """

    timezone: Annotated[str, Meta(pattern=r"^[A-Za-z0-9_+/-]{1,60}(?![\s\S])", max_length=60)] = "UTC"
    cut_off: Annotated[str, Meta(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9](?![\s\S])", max_length=5)] = "15:00"
    days: Annotated[tuple[Weekday, ...], Meta(min_length=1, max_length=7)] = (
        "monday",
        "tuesday",
        "wednesday",
        "thursday",
        "friday",
    )
    closed: Annotated[tuple[date, ...], Meta(max_length=200)] = ()


class Supplier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One supplier of a shop's, as the shop configured it; its secrets are kept apart.

    Attributes:
        endpoint: where orders are posted to.
        authentication: what a post shows besides its signature.
        body: in which form an order goes out.
        their_codes: the supplier's own code for a part, by the shop's number; where none is given the shop's is sent.
        customer_number: what the supplier calls the shop.
        timeout_seconds: how long one post may take.
        hours: when it works on orders.
        price_rise_percent: how much dearer than ordered a part may come without asking a person.
    """

    endpoint: Endpoint
    authentication: Authentication = Signature()
    body: BodyForm = OwnJson()
    their_codes: Annotated[dict[Sku, Sku], Meta(max_length=5000)] = {}
    customer_number: Annotated[str, Meta(min_length=1, max_length=60, pattern=NO_NUL)] | UnsetType = UNSET
    timeout_seconds: Annotated[int, Meta(ge=1, le=30)] = 15
    hours: BusinessHours = BusinessHours()
    price_rise_percent: Annotated[float, Meta(ge=0, le=100)] = 0.0


def check_supplier(supplier: Supplier, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a supplier: its endpoint, the header of its credential, days given more than once.

    Whether its time zone exists and what a mapping makes is seen where clocks and documents are.

    >>> ours = Supplier(endpoint="https://orders.example/in", authentication=CustomHeader(name="Host"))
    >>> [fault.pointer for fault in check_supplier(ours, "")]
    ['/authentication/name']
    """
    yield from check_endpoint(supplier.endpoint, f"{pointer}/endpoint")
    header = supplier.authentication
    if isinstance(header, CustomHeader) and header.name.lower() in TAKEN_HEADERS:
        yield Fault(f"{pointer}/authentication/name", f"{header.name} belongs to the transport or the signature")
    yield from _repeated(supplier.hours.days, f"{pointer}/hours/days")
    yield from _repeated(supplier.hours.closed, f"{pointer}/hours/closed")


def check_endpoint(address: str, pointer: str) -> Iterator[Fault]:
    """Yield what keeps an address from being posted to.

    >>> [fault.detail for fault in check_endpoint("https://user@till.example/", "/endpoint")]
    ['must not carry a user: credentials are kept apart']
    """
    for trouble in _troubles(address):
        yield Fault(pointer, trouble)


def _troubles(address: str) -> Iterator[str]:
    try:
        parts = urlsplit(address)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        yield f"is no address: {error}"
        return
    if not host:
        yield "names no host"
    if "@" in parts.netloc:
        yield "must not carry a user: credentials are kept apart"
    if "#" in address:
        yield "must not carry a fragment: it is never sent"
    if "\\" in address:
        yield "must not carry a backslash: programs do not agree on what it means"


def _repeated(values: Sequence[Hashable], pointer: str) -> Iterator[Fault]:
    for index, value in enumerate(values):
        if value in values[:index]:
            yield Fault(f"{pointer}/{index}", f"{value} is given more than once")
