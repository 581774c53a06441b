"""The form of a customer's page, read strictly: one small body of known fields, each once, and none with U+0000.

A form bears a seal: what was shown to the customer, under a key made of the link's token. Nothing is kept of it. An
answer to something else than what stands there now, or one that no page of this service made, so shows by itself.
"""

import hashlib
import hmac
from collections.abc import Sequence
from typing import Any, Final, Literal, get_args
from urllib.parse import parse_qsl, urlsplit

import msgspec
from litestar import Request

from cotterline.api.problems import RequestRefusedError, call_of
from cotterline.bench.customer_estimates import Choice
from cotterline.bench.labour.book import OptionId
from cotterline.store.estimate_links import LinkRow

AnyRequest = Request[Any, Any, Any]
Doing = Literal["show", "approve", "decline"]

MAX_BYTES: Final = 4096
"""A name of 200 characters takes 2400 bytes at most, percent-encoded."""

MAX_NAME: Final = 200
_FORM: Final = "application/x-www-form-urlencoded"
_TICK: Final = "option_"
_PURPOSE: Final = b"cotterline estimate form"
_OPTIONS: Final[Sequence[OptionId]] = get_args(OptionId)
_FIELDS: Final = {"do", "shown", "seal", "name", *(_TICK + option for option in _OPTIONS)}


class EstimateForm(msgspec.Struct, frozen=True, kw_only=True):
    """What a customer sent.

    Attributes:
        do: which button was pressed.
        ticked: the options that are ticked.
        shown: those the price was shown with.
        seal: of what was shown.
        name: as it was entered, without spaces around it.
    """

    do: Doing
    ticked: frozenset[OptionId]
    shown: tuple[OptionId, ...]
    seal: str
    name: str

    @property
    def signed(self) -> bool:
        """Whether the name can be one: there, not too long, and of letters and signs that show."""
        return 0 < len(self.name) <= MAX_NAME and self.name.isprintable()


def sent_from_here(request: AnyRequest) -> bool:
    """Whether a form comes from a page of this service, as far as the browser says.

    It names no origin but ``null`` where the page's policy keeps its address to itself (Fetch standard, "append a
    request `Origin` header"), but then says which site it is from (W3C Fetch Metadata, section 2.4).
    """
    origins = request.headers.getall("origin", [])
    sites = request.headers.getall("sec-fetch-site", [])
    return {*origins} <= {"null", _own_origin(request)} and {*sites} <= {"same-origin", "none"}


async def read_form(request: AnyRequest) -> EstimateForm:
    """Read the form.

    Raises:
        RequestRefusedError: it is none of ours.
    """
    kind, _, parameter = request.headers.get("content-type", "").lower().partition(";")
    if kind.strip() != _FORM or parameter.strip() not in {"", "charset=utf-8"}:
        raise RequestRefusedError("unsupported-media-type", f"The form must come as {_FORM} in UTF-8.")
    return form_in(await request.body())


def form_in(body: bytes) -> EstimateForm:
    """The form in a body.

    Raises:
        RequestRefusedError: ``malformed-request``, or ``invalid-body`` for a form with other fields or values.

    >>> form_in(b"do=decline&name=Ada+Fell&shown=&seal=0f").name
    'Ada Fell'
    """
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, strict_parsing=True, errors="strict")
    except ValueError as error:
        raise RequestRefusedError("malformed-request", "The form is not UTF-8, percent-encoded.") from error
    fields = dict(pairs)
    shown = [name for name in fields.get("shown", "").split(",") if name]
    known = len(fields) == len(pairs) and fields.keys() <= _FIELDS and {*shown} <= {*_OPTIONS}
    if not known or "\0" in "".join(fields.values()) or fields.get("do") not in get_args(Doing):
        raise RequestRefusedError("invalid-body", "The form has other fields or values than the page gave it.")
    return EstimateForm(
        do=msgspec.convert(fields["do"], Doing),
        ticked=frozenset(option for option in _OPTIONS if _TICK + option in fields),
        shown=msgspec.convert(shown, tuple[OptionId, ...]),
        seal=fields.get("seal", ""),
        name=fields.get("name", "").strip(),
    )


def wanted_options(query: bytes) -> tuple[OptionId, ...]:
    """The options a page is asked for with; whatever else a query holds is passed over.

    >>> wanted_options(b"options=new_chain%2Cpaint&from=mail")
    ('new_chain',)
    """
    pairs = dict(parse_qsl(query.decode("latin-1"), errors="replace"))
    named = pairs.get("options", "").split(",")
    return tuple(option for option in _OPTIONS if option in named)


def seal(token: str, link: LinkRow, version: int, shown: Choice) -> str:
    """The seal of what a page shows.

    Args:
        token: of the link.
        link: it.
        version: of the quote.
        shown: the options and the ceiling.
    """
    what = msgspec.json.encode([link.id, link.revision, version, shown.options, shown.ceiling or None])
    key = hmac.digest(token.encode(), _PURPOSE, hashlib.sha256)
    return hmac.digest(key, what, hashlib.sha256).hex()


def is_seal(given: str, right: str) -> bool:
    """Whether a seal is the right one, in a time that does not tell how much of it is."""
    return hmac.compare_digest(given.encode(), right.encode())


def _own_origin(request: AnyRequest) -> str:
    """Where this service is: as the operator says, else as the request was addressed."""
    try:
        base = urlsplit(call_of(request.scope).base_url or str(request.base_url))
    except ValueError:  # the header Host holds no host
        return ""
    return f"{base.scheme}://{base.netloc}".lower()
