"""Estimate links kept: made, looked up by the hash of their token, answered once, ended."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Select, and_, bindparam, func, insert, or_, select, update

from cotterline.bench.errors import CotterlineError
from cotterline.bench.estimate_links import LinkAnswer, LinkLife
from cotterline.bench.quantity import Unit
from cotterline.store import audit, link_text, secret_text, shops
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import estimate_links
from cotterline.store.tenancy import Tenant, owned, ownership

MOST_OPEN: Final = 10
"""Links to one quote that can be answered at one time."""

SEEN_AGAIN_AFTER: Final = timedelta(minutes=1)
"""How far behind ``last_seen_at`` may be: a page that is loaded over and over is not written over and over."""


class LinkRow(LinkLife, frozen=True, kw_only=True):
    """What is told of a link; its token is not known here.

    Attributes:
        id: version 7 of RFC 9562.
        quote_id: of the quote.
        created_at: when it was made.
        actor: id of the key it was made with.
        language: of its page, a tag of BCP 47.
        units: in which lengths are told.
        last_seen_at: when its page was last fetched, up to a minute behind.
        answer: what the customer said.
    """

    id: UUID
    quote_id: UUID
    created_at: datetime
    actor: str
    language: str
    units: Unit
    last_seen_at: datetime | None = None
    answer: LinkAnswer | None = None


class FoundLink(msgspec.Struct, frozen=True):
    """A link as its token finds it: whose it is, and which."""

    tenant: Tenant
    id: UUID


_TOLD = tuple(estimate_links.c[name] for name in LinkRow.__struct_fields__)


async def make(tx: WriteTransaction, link: LinkRow) -> str:
    """Keep a link as the tenant's and return its token, which is not kept and cannot be had again.

    Raises:
        CotterlineError: ``too-many-links``, where as many to this quote are open already.
    """
    await shops.lock(tx)  # or two at once would each count one link less
    if await _open(tx, link) >= MOST_OPEN:
        words = f"{MOST_OPEN} links to this revision are open already: end one of them."
        raise CotterlineError("too-many-links", words)
    token = link_text.make()
    row = msgspec.structs.asdict(link) | {"token_hash": secret_text.digest(token)}
    await tx.execute(insert(estimate_links).values(row | ownership(tx.tenant)))
    told = {"quote_id": link.quote_id, "revision": link.revision, "expires_at": link.expires_at}
    await _record(tx, link.id, "made", at=link.created_at, actor=link.actor, detail=told)
    return token


async def find(tx: ReadTransaction, token: str) -> FoundLink | None:
    """Look a link up by its token, whosesoever it is; only the service itself may."""
    wanted = select(estimate_links.c.shop_id, estimate_links.c.mode, estimate_links.c.id)
    rows = await tx.rows(wanted.where(estimate_links.c.token_hash == secret_text.digest(token)))
    return FoundLink(Tenant(rows[0]["shop_id"], rows[0]["mode"]), rows[0]["id"]) if rows else None


async def get(tx: ReadTransaction, link_id: UUID) -> LinkRow | None:
    """Return the tenant's link with this id, if there is one."""
    return await _one(tx, select(*_TOLD).where(_this(tx.tenant, link_id)))


async def hold(tx: WriteTransaction, link_id: UUID) -> LinkRow | None:
    """Return the tenant's link as :func:`get` does, and let nobody else hold it until this transaction ends."""
    return await _one(tx, select(*_TOLD).where(_this(tx.tenant, link_id)).with_for_update())


async def every(tx: ReadTransaction, quote_id: UUID) -> Sequence[LinkRow]:
    """Return every link to the tenant's quote, the newest first."""
    mine = select(*_TOLD).where(owned(estimate_links, tx.tenant), estimate_links.c.quote_id == quote_id)
    newest = mine.order_by(estimate_links.c.created_at.desc(), estimate_links.c.id.desc())
    return [LinkRow(**row) for row in await tx.rows(newest)]


async def answer(tx: WriteTransaction, link_id: UUID, said: LinkAnswer, now: datetime) -> None:
    """Keep what the customer said; within the transaction that does it to the quote, on a link that is held.

    Raises:
        RuntimeError: the link was answered before.
    """
    unanswered = and_(_this(tx.tenant, link_id), estimate_links.c.answered_at.is_(None))
    if await tx.execute(update(estimate_links).where(unanswered).values(answered_at=now, answer=said)) != 1:
        raise RuntimeError("a link is answered once")


async def end(tx: WriteTransaction, link_id: UUID, *, now: datetime, actor: str) -> None:
    """End a link of the tenant; one that was ended before stays as it was."""
    alive = and_(_this(tx.tenant, link_id), estimate_links.c.ended_at.is_(None))
    if await tx.execute(update(estimate_links).where(alive).values(ended_at=now)):
        await _record(tx, link_id, "ended", at=now, actor=actor, detail={})


async def note_seen(tx: WriteTransaction, link_id: UUID, now: datetime) -> None:
    """Keep that a link's page was fetched, unless it was just before; a later time that was kept stays."""
    since = bindparam("since", now - SEEN_AGAIN_AFTER, estimate_links.c.last_seen_at.type)
    earlier = or_(estimate_links.c.last_seen_at.is_(None), estimate_links.c.last_seen_at < since)
    await tx.execute(update(estimate_links).where(_this(tx.tenant, link_id), earlier).values(last_seen_at=now))


async def _open(tx: ReadTransaction, link: LinkRow) -> int:
    """How many links to the quote's revision can be answered as the new one is made."""
    now = bindparam("now", link.created_at, estimate_links.c.expires_at.type)
    alive = and_(
        owned(estimate_links, tx.tenant),
        estimate_links.c.quote_id == link.quote_id,
        estimate_links.c.revision == link.revision,
        estimate_links.c.ended_at.is_(None),
        estimate_links.c.answered_at.is_(None),
        estimate_links.c.expires_at > now,
    )
    (found,) = await tx.rows(select(func.count().label("open")).select_from(estimate_links).where(alive))
    return int(found["open"])


async def _one(tx: ReadTransaction, wanted: Select[tuple[object, ...]]) -> LinkRow | None:
    rows = await tx.rows(wanted)
    return LinkRow(**rows[0]) if rows else None


async def _record(  # noqa: PLR0913 - as the entry has them
    tx: WriteTransaction, link_id: UUID, done: str, *, at: datetime, actor: str, detail: dict[str, object]
) -> None:
    about = {"subject_kind": "estimate_link", "subject_id": str(link_id)}
    await audit.record(tx, tx.tenant, at=at, actor=actor, action=f"estimate_link.{done}", **about, detail=detail)


def _this(tenant: Tenant, link_id: UUID) -> ColumnElement[bool]:
    return and_(owned(estimate_links, tenant), estimate_links.c.id == link_id)
