"""Price lists: what each supplier of a shop's asks, replaced whole, read whole or for the parts of some roles."""

from collections.abc import Collection, Sequence
from typing import Final

import msgspec
from sqlalchemy import ColumnElement, Executable, and_, delete, select, update
from sqlalchemy import insert as insert_into
from sqlalchemy.dialects.postgresql import insert

from cotterline.bench.errors import CotterlineError
from cotterline.bench.pricing.catalogue import Offer, PartRole, PriceList
from cotterline.store import shops
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.parts import Listing
from cotterline.store.tables import parts, price_lists, prices
from cotterline.store.tenancy import Tenant, owned, ownership

MOST_LISTS: Final = 100
MOST_OFFERS: Final = 200_000
"""In all lists of a tenant: what is read of them takes part in every quote."""


class PriceListing(Listing, frozen=True, kw_only=True):
    """Which version of a supplier's list there is, and what it is about.

    Attributes:
        supplier: the shop's name for the supplier.
        currency: of every price in it.
        offers: how many there are.
    """

    supplier: str
    currency: str
    offers: int


_LISTING = tuple(price_lists.c[name] for name in PriceListing.__struct_fields__)


async def listings(tx: ReadTransaction) -> Sequence[PriceListing]:
    """Return which lists the tenant has, by the suppliers' names."""
    found = select(*_LISTING).where(owned(price_lists, tx.tenant)).order_by(price_lists.c.supplier)
    return [PriceListing(**row) for row in await tx.rows(found)]


async def listing(tx: ReadTransaction, supplier: str) -> PriceListing | None:
    """Return which list of a supplier's the tenant has, if it has one."""
    rows = await tx.rows(select(*_LISTING).where(_list(tx.tenant, supplier)))
    return PriceListing(**rows[0]) if rows else None


async def get(tx: ReadTransaction, found: PriceListing) -> PriceList:
    """Return one whole list, its offers in their order."""
    mine = select(prices.c.content).where(_offers(tx.tenant, found.supplier)).order_by(prices.c.position)
    offers = tuple(msgspec.json.decode(row["content"], type=Offer) for row in await tx.rows(mine))
    return PriceList(supplier=found.supplier, currency=found.currency, offers=offers)


async def for_roles(tx: ReadTransaction, roles: Collection[PartRole]) -> Sequence[PriceList]:
    """Return the tenant's lists with those offers alone that are for parts of these roles."""
    wanted = select(parts.c.sku).where(owned(parts, tx.tenant), parts.c.role.in_(sorted(roles)))
    mine = select(prices.c.supplier, prices.c.content).where(owned(prices, tx.tenant), prices.c.sku.in_(wanted))
    offers: dict[str, list[Offer]] = {}
    for row in await tx.rows(mine.order_by(prices.c.supplier, prices.c.position)):
        offers.setdefault(row["supplier"], []).append(msgspec.json.decode(row["content"], type=Offer))
    return [
        PriceList(supplier=each.supplier, currency=each.currency, offers=tuple(offers[each.supplier]))
        for each in await listings(tx)
        if each.supplier in offers
    ]


async def make_room(tx: WriteTransaction, seen: PriceListing | None, now: PriceListing) -> None:
    """Hold the shop until this transaction ends, and see that the tenant may have ``now`` in the place of ``seen``.

    Raises:
        CotterlineError: ``quota-reached``.
    """
    await shops.lock(tx)  # or two at once would each count one too few
    others = [each for each in await listings(tx) if each.supplier != now.supplier]
    if seen is None and len(others) >= MOST_LISTS:
        raise CotterlineError("quota-reached", f"The shop has {MOST_LISTS} price lists: take one of them away first.")
    offers = now.offers + sum(each.offers for each in others)
    if offers > MOST_OFFERS:
        words = f"All price lists together would have {offers} offers, and a shop may have {MOST_OFFERS}."
        raise CotterlineError("quota-reached", words)


async def replace(tx: WriteTransaction, seen: PriceListing | None, now: PriceListing, content: PriceList) -> bool:
    """Put a list in the place of the one that was ``seen``, unless another was faster; tell whether it is."""
    values = msgspec.structs.asdict(now)
    if seen is None:
        claim: Executable = insert(price_lists).values(values | ownership(tx.tenant)).on_conflict_do_nothing()
    else:
        this = (_list(tx.tenant, seen.supplier), price_lists.c.tag == seen.tag)
        claim = update(price_lists).where(*this).values(values)
    if await tx.execute(claim) != 1:
        return False
    await tx.execute(delete(prices).where(_offers(tx.tenant, now.supplier)))
    own = {"supplier": now.supplier} | ownership(tx.tenant)
    rows = [
        {"sku": offer.sku, "position": position, "content": msgspec.json.encode(offer)} | own
        for position, offer in enumerate(content.offers)
    ]
    await tx.execute_for_each(insert_into(prices), rows)
    return True


async def remove(tx: WriteTransaction, seen: PriceListing) -> bool:
    """Take away the list that was ``seen``, unless another change was faster; tell whether it is gone."""
    this = (_list(tx.tenant, seen.supplier), price_lists.c.tag == seen.tag)
    if await tx.execute(delete(price_lists).where(*this)) != 1:
        return False
    await tx.execute(delete(prices).where(_offers(tx.tenant, seen.supplier)))
    return True


def _list(tenant: Tenant, supplier: str) -> ColumnElement[bool]:
    return and_(owned(price_lists, tenant), price_lists.c.supplier == supplier)


def _offers(tenant: Tenant, supplier: str) -> ColumnElement[bool]:
    return and_(owned(prices, tenant), prices.c.supplier == supplier)
