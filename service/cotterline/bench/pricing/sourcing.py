"""Who has the parts of a job cheapest, and what the shop charges for them.

A part of the very dimensions asked for goes before one that may only stand in for it, however cheap. A line nobody has
a price for is reported as missing: it is never free.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.money import Money, in_minor_units, of_minor_units, whole
from cotterline.bench.parts_list import PartsLine, Quantity, Role
from cotterline.bench.pricing.candidates import Candidate, Offers, by_sku, candidates, cheapest, fitting
from cotterline.bench.pricing.catalogue import Part, PriceList
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.rules import MarkupTier
from cotterline.bench.remembering import remembering

_MOST_LINES: Final = 1024
"""Most lines of parts lists whose answer is remembered: a shop fits few kinds of unit."""

NO_PART: Final = "No part in the catalogue has every property asked for."


class SourcedLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A line of the parts list with the part that answers it.

    Attributes:
        line: number of the line in the parts list; 0 for a part that no line describes.
        sku: the shop's number for the part.
        name: of the part.
        quantity: pieces.
        supplier: who has it cheapest.
        unit_cost: what the supplier asks for one.
        unit_price: what the shop charges for one.
        exact: whether it is of the very dimensions asked for; otherwise it stands in within their range.
        returnable: whether it is ordered to be tried; of all such lines the dearest is kept and charged.
        stock: pieces the supplier has, where known.
        lead_days: days until it is here, where known.
    """

    line: int
    sku: str
    name: str
    quantity: int
    supplier: str
    unit_cost: Money
    unit_price: Money
    exact: bool
    returnable: bool
    stock: int | UnsetType = UNSET
    lead_days: int | UnsetType = UNSET


class MissingPrice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something that costs money nobody has stated; every sum leaves it out.

    Attributes:
        what: is not priced.
        why: in words.
        line: number of the line in the parts list, where it is one.
    """

    what: str
    why: str
    line: int | UnsetType = UNSET


class SourcedParts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The parts of a job with their prices.

    Attributes:
        lines: what is ordered, and of whom.
        missing: what nobody has a price for.
    """

    lines: tuple[SourcedLine, ...] = ()
    missing: tuple[MissingPrice, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Basket:
    """The parts a customer pays for.

    Attributes:
        lines: with their prices.
        returns: how many pieces ordered besides go back whatever happens.
    """

    lines: tuple[SourcedLine, ...] = ()
    returns: int = 0


class Market:
    """What a shop can fit and what its suppliers ask for it, laid out to be asked for one job after another.

    Args:
        parts: of the shop's catalogue; more than fit do no harm.
        price_lists: of its suppliers.
        rules: the shop's markup and currency. Prices in another currency are named, never converted.
    """

    def __init__(self, parts: Sequence[Part], price_lists: Sequence[PriceList], rules: PricingInForce) -> None:
        self._parts: dict[str, list[Part]] = {}
        for part in parts:
            self._parts.setdefault(part.role, []).append(part)
        self._offers = by_sku(price_lists)
        self._rules = rules
        self._answer = remembering(self._answered, _MOST_LINES)

    def sourced(self, need: Sequence[PartsLine]) -> SourcedParts:
        """Find the part and the cheapest offer for every line that is ordered.

        Args:
            need: lines of a parts list; those the shop has at hand are passed over.
        """
        found = [self._answer(line) for line in need if line.supply == "order"]
        return SourcedParts(
            lines=tuple(item for item in found if isinstance(item, SourcedLine)),
            missing=tuple(item for item in found if isinstance(item, MissingPrice)),
        )

    def for_role(self, role: Role, what: str) -> SourcedParts:
        """The cheapest part of a role that no line of a parts list describes, such as a chain.

        Args:
            role: what it is for.
            what: is wanted, in words, should nobody have a price for it.
        """
        return self.sourced((PartsLine(number=0, role=role, supply="order", name=what, quantity=Quantity(1)),))

    def _answered(self, line: PartsLine) -> SourcedLine | MissingPrice:
        return _answered(line, self._parts.get(line.role, ()), self._offers, self._rules)


def basket(lines: Sequence[SourcedLine]) -> Basket:
    """What is charged of these lines: of those ordered to be tried the dearest is kept, and the others go back."""
    tried = [line for line in lines if line.returnable]
    kept = max(tried, key=lambda line: (line.unit_price.decimal * line.quantity, -line.line), default=None)
    sold = tuple(line for line in lines if not line.returnable or line is kept)
    return Basket(lines=sold, returns=len(lines) - len(sold))


def selling_price(cost: Decimal, rules: PricingInForce) -> Money:
    """What the shop charges for a piece that costs ``cost``, to the minor unit.

    The tier of the cost sets the percentage; a dearer part is never sold below the top of a lower tier.
    """
    price = max(_marked_up(cost, rules.pricing.markup), default=Fraction(cost))
    units = in_minor_units(Decimal(1), rules.currency) * price
    return of_minor_units(whole(units, rules.pricing.rounding.mode), rules.currency)


def _marked_up(cost: Decimal, tiers: Sequence[MarkupTier]) -> Iterator[Fraction]:
    """The price by the cost's own tier, and the price of the dearest part of every tier below it."""
    for tier in tiers:
        within = isinstance(tier.up_to, UnsetType) or cost <= Decimal(tier.up_to)
        base = cost if within or isinstance(tier.up_to, UnsetType) else Decimal(tier.up_to)
        yield Fraction(base) * (1 + Fraction(tier.percent) / 100)
        if within:
            return


def _answered(
    line: PartsLine, parts: Sequence[Part], offers: Offers, rules: PricingInForce
) -> SourcedLine | MissingPrice:
    fits = fitting(line, parts)
    if not fits:
        return MissingPrice(what=line.name, why=NO_PART, line=line.number)
    offered = [*candidates(line, fits, offers)]
    payable = [item for item in offered if item.currency == rules.currency]
    if not payable:
        return MissingPrice(what=line.name, why=why_no_price(fits, offered, rules.currency), line=line.number)
    best = min(payable, key=cheapest)
    return SourcedLine(
        line=line.number,
        sku=best.part.sku,
        name=best.part.name,
        quantity=line.quantity.value,
        supplier=best.supplier,
        unit_cost=best.unit_cost,
        unit_price=selling_price(best.price, rules),
        exact=best.away == 0,
        returnable=line.returnable,
        stock=best.offer.stock,
        lead_days=best.offer.lead_days,
    )


def why_no_price(fits: Sequence[tuple[Part, float]], offered: Sequence[Candidate], currency: str) -> str:
    """Why none of the parts that answer a line can be bought in a currency."""
    if offered:
        others = ", ".join(sorted({f"{item.supplier} in {item.currency}" for item in offered}))
        return f"No price in {currency}; offered by {others}. Prices are not converted."
    skus = ", ".join(sorted(part.sku for part, _ in fits))
    return f"No price list has a price for {skus} in this quantity under the same trade item number."
