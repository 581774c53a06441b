"""Estimate links: by which a customer sees what was quoted and answers it, without a key."""

from datetime import datetime, timedelta
from typing import Annotated, Any, Final
from uuid import UUID

import msgspec
from litestar import Request, Response, delete, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import HeldQuote, Stamp
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.problems import call_of
from cotterline.api.quote_changes import find
from cotterline.api.quote_requests import ValidDays
from cotterline.api.quotes import EXAMPLE_NOW, QuoteId, example_quote
from cotterline.bench.customer_estimates import offer_of
from cotterline.bench.errors import CotterlineError
from cotterline.bench.estimate_links import LinkAnswer, LinkState, link_state
from cotterline.bench.quantity import Unit
from cotterline.bench.shop_profile import Locale, ShopProfile
from cotterline.store import estimate_links, link_text
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.estimate_links import LinkRow
from cotterline.store.shop_documents import SETTINGS

PATH: Final = "/v1/quotes/{quote_id:uuid}/estimate-links"
LinkId = Annotated[UUID, PathParameter(description="The link's id.")]


class EstimateLinkRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A link to be made.

    Attributes:
        language: of the page; the shop's locale unless given. Where there are no words in it they are English, with
            numbers, money and dates as that language has them.
        units: in which lengths are told there.
        valid_days: how long it can be answered; never longer than the quote holds, which is also what holds unless
            given.
    """

    language: Locale | UnsetType = UNSET
    units: Unit = "mm"
    valid_days: ValidDays | UnsetType = UNSET


class EstimateLink(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a link.

    Attributes:
        id: names the link.
        state: whether it can still be answered. ``overtaken``: its quote was revised, or answered another way.
        revision: the revision it shows.
        created_at: when it was made.
        by: id of the key it was made with.
        expires_at: until when it can be answered.
        language: of its page.
        units: in which lengths are told there.
        last_seen_at: when its page was last fetched, up to a minute behind; by a person, or by a program that shows a
            person where a link leads. Left out if it never was.
        answered_at: when it was answered; left out if it was not.
        answer: what the customer said.
        ended_at: when the shop ended it; left out if it did not.
    """

    id: UUID
    state: LinkState
    revision: int
    created_at: datetime
    by: str
    expires_at: datetime
    language: str
    units: Unit
    last_seen_at: datetime | UnsetType = UNSET
    answered_at: datetime | UnsetType = UNSET
    answer: LinkAnswer | UnsetType = UNSET
    ended_at: datetime | UnsetType = UNSET


class MadeEstimateLink(EstimateLink, frozen=True, kw_only=True):
    """A link just made.

    Attributes:
        url: of the page, shown this once: the service keeps only a hash of what opens it. A whole address where the
            operator told the service its own, else the path on it.
    """

    url: str


class EstimateLinkList(msgspec.Struct, frozen=True, kw_only=True):
    """Every link to a quote.

    Attributes:
        links: the newest first, those that can no longer be answered included.
    """

    links: tuple[EstimateLink, ...]


_ROW: Final = LinkRow(
    id=UUID(EXAMPLE_ID),
    quote_id=UUID(EXAMPLE_ID),
    revision=1,
    created_at=EXAMPLE_NOW,
    actor=EXAMPLE_ID,
    expires_at=EXAMPLE_NOW + timedelta(days=14),
    language="de",
    units="mm",
)


def _offered() -> HeldQuote:
    held = example_quote()
    row = msgspec.structs.replace(held.quote, state="issued", expires_at=_ROW.expires_at)
    return HeldQuote(quote=row, revision=held.revision)


def _made_example(data: EstimateLinkRequest) -> MadeEstimateLink:
    row = _row(data, _offered(), ShopProfile(), Stamp(id=_ROW.id, now=EXAMPLE_NOW), EXAMPLE_ID)
    return _made(row, _offered(), link_text.written("a" * 52), "https://bench.example")


def _list_example() -> EstimateLinkList:
    return EstimateLinkList(links=(entry(_ROW, _offered(), EXAMPLE_NOW),))


@post(
    PATH,
    status_code=201,
    operation_id="makeEstimateLink",
    tags=["quotes"],
    summary="Make a link by which the customer sees the estimate and answers it",
    opt={
        "scope": "quote",
        "answer": MadeEstimateLink,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"week": Example("For a week, in German", _made_example, b'{"language":"de","valid_days":7}')},
        "headers": ["Idempotency-Replayed"],
        "links": {
            "endEstimateLink": {
                "operationId": "endEstimateLink",
                "parameters": {"quote_id": "$request.path.quote_id", "link_id": "$response.body#/id"},
                "description": "End it.",
            }
        },
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_id: QuoteId,
    data: JSONBody[EstimateLinkRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Make a link to an issued quote and show it this once. Its page needs no key and no JavaScript.

    Whoever holds the link can approve or decline the quote: send it to the customer alone.
    """
    base_url = call_of(request.scope).base_url

    async def work(tx: WriteTransaction) -> Response[MadeEstimateLink]:
        held = await find(tx, quote_id)
        _check_offer(held, stamp.now)
        row = _row(data, held, (await SETTINGS.current(tx)).content, stamp, caller.key_id)
        return Response(_made(row, held, await estimate_links.make(tx, row), base_url))

    return await once.answer(work, sealed=True)


@get(
    PATH,
    operation_id="listEstimateLinks",
    tags=["quotes"],
    summary="List the links to a quote's estimate",
    opt={"scope": "read", "examples": {"open": Example("One that is open", _list_example)}},
)
async def every(
    quote_id: QuoteId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> EstimateLinkList:
    """Tell where each link to a quote stands and what came of it; never what opens it."""
    async with database.read(caller.tenant) as tx:
        held = await find(tx, quote_id)
        rows = await estimate_links.every(tx, quote_id)
    return EstimateLinkList(links=tuple(entry(row, held, stamp.now) for row in rows))


@delete(
    PATH + "/{link_id:uuid}",
    operation_id="endEstimateLink",
    tags=["quotes"],
    summary="End a link to a quote's estimate",
    opt={"scope": "quote"},
)
async def end(
    quote_id: QuoteId,
    link_id: LinkId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    stamp: NamedDependency[Stamp],
) -> None:
    """End a link at once and for good: its page then shows nothing of the quote. What was answered by it stays."""
    async with database.write(caller.tenant) as tx:
        row = await estimate_links.get(tx, link_id)
        if row is None or row.quote_id != quote_id:
            raise CotterlineError("not-found", "The quote has no link of this id.")
        await estimate_links.end(tx, link_id, now=stamp.now, actor=caller.key_id)


def _check_offer(held: HeldQuote, now: datetime) -> None:
    state = held.state(now)
    if state != "issued":
        words = f"The quote is {state}. A link is made once it is issued, and shows what it says then."
        raise CotterlineError("wrong-state", words)
    if offer_of(held.revision.result) is None:
        words = "This revision is from before there were estimates: revise the quote and issue it again."
        raise CotterlineError("wrong-state", words)


def _row(data: EstimateLinkRequest, held: HeldQuote, profile: ShopProfile, stamp: Stamp, actor: str) -> LinkRow:
    return LinkRow(
        id=stamp.id,
        quote_id=held.quote.id,
        revision=held.quote.revision,
        created_at=stamp.now,
        actor=actor,
        expires_at=_expiry(data, held, profile, stamp.now),
        language=profile.locale if isinstance(data.language, UnsetType) else data.language,
        units=data.units,
    )


def _expiry(data: EstimateLinkRequest, held: HeldQuote, profile: ShopProfile, now: datetime) -> datetime:
    """When the link ends: with the quote at the latest."""
    days = profile.quote_valid_days if isinstance(data.valid_days, UnsetType) else data.valid_days
    asked, most = now + timedelta(days=days), held.quote.expires_at
    if most is None:
        return asked
    return most if isinstance(data.valid_days, UnsetType) else min(asked, most)


def _made(row: LinkRow, held: HeldQuote, token: str, base_url: str) -> MadeEstimateLink:
    return MadeEstimateLink(**_told(row, held, row.created_at), url=f"{base_url}/estimate/{token}")


def entry(row: LinkRow, held: HeldQuote, now: datetime) -> EstimateLink:
    """What is told of a link to a quote."""
    return EstimateLink(**_told(row, held, now))


def _told(row: LinkRow, held: HeldQuote, now: datetime) -> dict[str, Any]:
    return {
        "id": row.id,
        "state": link_state(row, held.state(now), held.quote.revision, now),
        "revision": row.revision,
        "created_at": row.created_at,
        "by": row.actor,
        "expires_at": row.expires_at,
        "language": row.language,
        "units": row.units,
        "last_seen_at": row.last_seen_at or UNSET,
        "answered_at": row.answered_at or UNSET,
        "answer": row.answer or UNSET,
        "ended_at": row.ended_at or UNSET,
    }
