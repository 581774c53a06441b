"""Which parts answer a line of the parts list, who offers them, and which of the offers is to be preferred.

A part answers a line only if it states every property the line asks for and each lies within the line's range.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from msgspec import UnsetType

from cotterline.bench.money import Money, in_minor_units, of_minor_units
from cotterline.bench.parts_list import ItemProperty, Measure, PartsLine, PropertyName
from cotterline.bench.pricing.catalogue import Offer, Part, PriceList, price_for
from cotterline.bench.shell.families import FAMILIES

SLACK_MM: Final = 1e-6
"""Dimensions are stated to 0.001 mm: closer than this they are the same."""

_UNKNOWN_DAYS: Final = 9999
"""Behind every lead time that can be stated."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part that answers a line, as one supplier offers it.

    Attributes:
        part: of the catalogue.
        away: how far in mm its dimensions are from those asked for; 0 is the very part.
        offer: what the supplier asks for it.
        supplier: who.
        currency: of the offer.
        price: of one piece, in the quantity asked for.
    """

    part: Part
    away: float
    offer: Offer
    supplier: str
    currency: str
    price: Decimal

    @property
    def days(self) -> int:
        """Days until it is here; where nobody knows, more than anybody states."""
        days = self.offer.lead_days
        return _UNKNOWN_DAYS if isinstance(days, UnsetType) else days

    @property
    def unit_cost(self) -> Money:
        """What the supplier asks for one."""
        return of_minor_units(int(in_minor_units(self.price, self.currency)), self.currency)


Offers = Mapping[str, Sequence[tuple[PriceList, Offer]]]
"""By the shop's number for the part."""

Preference = tuple[float, float | Decimal, float | Decimal, str, str]
"""The least comes first."""

Rank = Callable[[Candidate], Preference]
"""What makes one candidate preferable to another."""


def cheapest(item: Candidate) -> Preference:
    """The very part before one that stands in, then the cheapest, the soonest, and by name."""
    return item.away, item.price, item.days, item.supplier, item.part.sku


def by_sku(price_lists: Sequence[PriceList]) -> Offers:
    """Every offer under its part's number."""
    found: dict[str, list[tuple[PriceList, Offer]]] = {}
    for prices in price_lists:
        for offer in prices.offers:
            found.setdefault(offer.sku, []).append((prices, offer))
    return found


def fitting(line: PartsLine, parts: Sequence[Part]) -> list[tuple[Part, float]]:
    """The parts of the line's role that answer it, each with how far it is from what is asked for."""
    of_role = [part for part in parts if part.role == line.role]
    return [(part, away) for part in of_role if (away := _away(line, part)) is not None]


def candidates(line: PartsLine, parts: Sequence[tuple[Part, float]], offers: Offers) -> Iterator[Candidate]:
    """Every offer of a price for the line's quantity of one of ``parts``, in whatever currency."""
    for part, away in parts:
        for prices, offer in offers.get(part.sku, []):
            price = price_for(offer, line.quantity.value)
            if price is not None and not _other_item(part, offer):
                yield Candidate(part, away, offer, prices.supplier, prices.currency, price)


def as_made(part: Part, properties: Sequence[ItemProperty]) -> tuple[ItemProperty, ...]:
    """The properties with the values this part has; what may stand in stays as it was."""
    facts = dict(_facts(part))
    return tuple(_stated(item, facts.get(item.name)) for item in properties)


def _stated(wanted: ItemProperty, fact: float | str | None) -> ItemProperty:
    if isinstance(wanted, Measure):
        return Measure(
            name=wanted.name,
            value=wanted.value if fact is None or isinstance(fact, str) else fact,
            lowest=wanted.lowest,
            highest=wanted.highest,
        )
    return type(wanted)(
        name=wanted.name, value=fact if isinstance(fact, str) else wanted.value, accepted=wanted.accepted
    )


def _other_item(part: Part, offer: Offer) -> bool:
    """Whether trade item numbers say that the offer is for another part; shorter numbers are padded with zeros."""
    if isinstance(part.gtin, UnsetType) or isinstance(offer.gtin, UnsetType):
        return False
    return part.gtin.zfill(14) != offer.gtin.zfill(14)


def _away(line: PartsLine, part: Part) -> float | None:
    """How far in mm a part is from what the line asks for, all dimensions together; nothing if it does not fit."""
    facts = dict(_facts(part))
    away = 0.0
    for wanted in line.properties:
        fact = facts.get(wanted.name)
        if fact is None or not _fits(wanted, fact):
            return None
        away += abs(fact - wanted.value) if isinstance(wanted, Measure) and not isinstance(fact, str) else 0.0
    return away if away > SLACK_MM else 0.0


def _fits(wanted: ItemProperty, fact: float | str) -> bool:
    if isinstance(wanted, Measure):
        return not isinstance(fact, str) and wanted.lowest - SLACK_MM <= fact <= wanted.highest + SLACK_MM
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
