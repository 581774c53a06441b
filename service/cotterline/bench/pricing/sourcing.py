"""Which part answers a line of the parts list, who has it cheapest, and what the shop charges for it.

A part answers a line only if it states every property the line asks for and each lies within the line's range. One of
the very dimensions asked for goes before one that may only stand in for it, however cheap. A line nobody has a price
for is reported as missing: it is never free.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.money import Money, in_minor_units, of_minor_units, whole
from cotterline.bench.parts_list import ItemProperty, Measure, PartsLine, PropertyName, Quantity
from cotterline.bench.pricing.catalogue import Offer, Part, PartRole, PriceList, price_for
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.rules import MarkupTier
from cotterline.bench.shell.families import FAMILIES

_SLACK_MM: Final = 1e-6
"""Dimensions are stated to 0.001 mm: closer than this they are the same."""


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


@dataclass(frozen=True, slots=True)
class _Candidate:
    part: Part
    away: float
    offer: Offer
    supplier: str
    currency: str
    price: Decimal

    @property
    def rank(self) -> tuple[float, Decimal, int, str, str]:
        """The very part before one that stands in, then the cheapest, the soonest, and by name."""
        days = self.offer.lead_days
        return self.away, self.price, 9999 if isinstance(days, UnsetType) else days, self.supplier, self.part.sku


def sourced(
    need: Sequence[PartsLine], parts: Sequence[Part], price_lists: Sequence[PriceList], rules: PricingInForce
) -> SourcedParts:
    """Find the part and the cheapest offer for every line that is ordered.

    Args:
        need: lines of a parts list; those the shop has at hand are passed over.
        parts: of the shop's catalogue; more than fit do no harm.
        price_lists: of its suppliers.
        rules: the shop's markup and currency. Prices in another currency are named, never converted.
    """
    offers = _by_sku(price_lists)
    found = [
        _answered(line, [part for part in parts if part.role == line.role], offers, rules)
        for line in need
        if line.supply == "order"
    ]
    return SourcedParts(
        lines=tuple(item for item in found if isinstance(item, SourcedLine)),
        missing=tuple(item for item in found if isinstance(item, MissingPrice)),
    )


def for_role(
    role: PartRole, what: str, parts: Sequence[Part], price_lists: Sequence[PriceList], rules: PricingInForce
) -> SourcedParts:
    """The cheapest part of a role that no line of a parts list describes, such as a chain.

    Args:
        role: what it is for.
        what: is wanted, in words, should nobody have a price for it.
        parts: of the shop's catalogue.
        price_lists: of its suppliers.
        rules: as for ``sourced``.
    """
    anything = PartsLine(number=0, role="consumable", supply="order", name=what, quantity=Quantity(1))
    found = _answered(anything, [part for part in parts if part.role == role], _by_sku(price_lists), rules)
    return SourcedParts(missing=(found,)) if isinstance(found, MissingPrice) else SourcedParts(lines=(found,))


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


def _by_sku(price_lists: Sequence[PriceList]) -> Mapping[str, list[tuple[PriceList, Offer]]]:
    found: dict[str, list[tuple[PriceList, Offer]]] = {}
    for prices in price_lists:
        for offer in prices.offers:
            found.setdefault(offer.sku, []).append((prices, offer))
    return found


def _answered(
    line: PartsLine,
    parts: Sequence[Part],
    offers: Mapping[str, list[tuple[PriceList, Offer]]],
    rules: PricingInForce,
) -> SourcedLine | MissingPrice:
    fitting = [(part, away) for part in parts if (away := _away(line, part)) is not None]
    if not fitting:
        return MissingPrice(
            what=line.name, why="No part in the catalogue has every property asked for.", line=line.number
        )
    candidates = [*_candidates(line, fitting, offers)]
    payable = [candidate for candidate in candidates if candidate.currency == rules.currency]
    if not payable:
        return MissingPrice(what=line.name, why=_why(fitting, candidates, rules.currency), line=line.number)
    best = min(payable, key=lambda candidate: candidate.rank)
    return SourcedLine(
        line=line.number,
        sku=best.part.sku,
        name=best.part.name,
        quantity=line.quantity.value,
        supplier=best.supplier,
        unit_cost=of_minor_units(int(in_minor_units(best.price, rules.currency)), rules.currency),
        unit_price=selling_price(best.price, rules),
        exact=best.away == 0,
        returnable=line.returnable,
        stock=best.offer.stock,
        lead_days=best.offer.lead_days,
    )


def _candidates(
    line: PartsLine, fitting: Sequence[tuple[Part, float]], offers: Mapping[str, list[tuple[PriceList, Offer]]]
) -> Iterator[_Candidate]:
    for part, away in fitting:
        for prices, offer in offers.get(part.sku, []):
            price = price_for(offer, line.quantity.value)
            if price is not None and not _other_item(part, offer):
                yield _Candidate(part, away, offer, prices.supplier, prices.currency, price)


def _other_item(part: Part, offer: Offer) -> bool:
    """Whether trade item numbers say that the offer is for another part; shorter numbers are padded with zeros."""
    if isinstance(part.gtin, UnsetType) or isinstance(offer.gtin, UnsetType):
        return False
    return part.gtin.zfill(14) != offer.gtin.zfill(14)


def _why(fitting: Sequence[tuple[Part, float]], candidates: Sequence[_Candidate], currency: str) -> str:
    if candidates:
        others = ", ".join(sorted({f"{item.supplier} in {item.currency}" for item in candidates}))
        return f"No price in {currency}; offered by {others}. Prices are not converted."
    skus = ", ".join(sorted(part.sku for part, _ in fitting))
    return f"No price list has a price for {skus} in this quantity under the same trade item number."


def _away(line: PartsLine, part: Part) -> float | None:
    """How far in mm a part is from what the line asks for, all dimensions together; nothing if it does not fit."""
    facts = dict(_facts(part))
    away = 0.0
    for wanted in line.properties:
        fact = facts.get(wanted.name)
        if fact is None or not _fits(wanted, fact):
            return None
        away += abs(fact - wanted.value) if isinstance(wanted, Measure) and not isinstance(fact, str) else 0.0
    return away if away > _SLACK_MM else 0.0


def _fits(wanted: ItemProperty, fact: float | str) -> bool:
    if isinstance(wanted, Measure):
        return not isinstance(fact, str) and wanted.lowest - _SLACK_MM <= fact <= wanted.highest + _SLACK_MM
    return fact in wanted.accepted


def _facts(part: Part) -> Iterator[tuple[PropertyName, float | str]]:
    """Everything a part states, under the name the parts list asks for it by."""
    stated: dict[PropertyName, float | str | UnsetType] = {
        "thread": part.thread,
        "thread_outside_diameter": part.thread_outside_diameter,
        "shell_width": part.shell_width,
        "spindle_length": part.spindle_length,
        "spindle_taper": part.taper,
        "spindle_asymmetry": part.spindle_asymmetry,
        "thickness": part.thickness,
    }
    yield from ((name, fact) for name, fact in stated.items() if not isinstance(fact, UnsetType))
    family = None if isinstance(part.family, UnsetType) else FAMILIES[part.family]
    if family is not None and family.pitch is not None and family.drive_hand is not None:
        yield "thread", family.designation
        yield "thread_outside_diameter", family.diameter
        yield "thread_pitch", round(family.pitch.mm, 4)
        yield "drive_side_hand", family.drive_hand
        yield "non_drive_side_hand", "right"
