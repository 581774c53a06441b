"""Who supplies each line that is needed: the cheapest offer or the soonest, under what the order asks for."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from msgspec import UNSET, UnsetType

from cotterline.bench.business_days import arrival
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.orders import Allotment, BySupplier, OrderLine, OrderRequest
from cotterline.bench.parts_list import Measure, PartsLine
from cotterline.bench.pricing.candidates import Candidate, Offers, as_made, by_sku, candidates, fitting
from cotterline.bench.pricing.catalogue import Part, PriceList
from cotterline.bench.pricing.sourcing import NO_PART, why_no_price
from cotterline.bench.quantity import refuse
from cotterline.bench.suppliers import Supplier

_UNKNOWN_DAY: Final = date.max
"""Where nobody knows when a part comes, it is later than all that are known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Market:
    """Where parts can be bought, at one time.

    Attributes:
        parts: of the shop's catalogue.
        price_lists: of its suppliers.
        currency: that is bought in; prices in another are never converted.
        suppliers: that can be ordered of, by name; one that is not among them is passed over.
        clocks: what time it is at each of them.
    """

    parts: Sequence[Part]
    price_lists: Sequence[PriceList]
    currency: str
    suppliers: Mapping[str, Supplier]
    clocks: Mapping[str, datetime]

    def expected(self, item: Candidate) -> date | UnsetType:
        """When a part would be here, if that is known."""
        days = item.offer.lead_days
        if isinstance(days, UnsetType):
            return UNSET
        return arrival(self.clocks[item.supplier], days, self.suppliers[item.supplier].hours)


@dataclass(frozen=True, slots=True)
class _Choice:
    """A line with one candidate for it, and when that would be here."""

    need: PartsLine
    item: Candidate
    expected_on: date | UnsetType


Preference = tuple[float, Decimal | date, Decimal | date, tuple[tuple[str, str], ...]]


def allotted(
    needs: Sequence[PartsLine], request: OrderRequest, market: Market, options_after: int, pointer: str = ""
) -> BySupplier:
    """Find a part and a supplier for every line that is needed.

    Lines ordered to be tried go to one supplier if one offers them all, so that one parcel goes back.

    Args:
        needs: what is needed.
        request: how it is to be ordered; lines the shop has at hand are left out.
        market: where it can be bought.
        options_after: number of the parts list's last line; parts of options are numbered on behind it.
        pointer: where ``request`` stands, for faults.

    Raises:
        CotterlineError: ``impossible-value`` for lines at hand that nobody would order, ``prices-missing`` with a
            fault for each line nobody offers, ``supplier-missing`` where only suppliers offer it that cannot be
            ordered of.
    """
    refuse([*_check_stock(needs, request, pointer)])
    wanted = [need for need in needs if need.number not in request.from_stock]
    offers = by_sku(market.price_lists)
    search = _Search(request, market, offers)
    found = [search.choices(need) for need in wanted]
    faults = [Fault(f"{pointer}/from_stock", f"line {n.number}, {n.name}: {why}") for n, why in search.lacking]
    if faults:
        raise CotterlineError("prices-missing", "No supplier is known for every line.", faults)
    if search.unconnected:
        names = ", ".join(sorted(search.unconnected))
        raise CotterlineError("supplier-missing", f"Nothing can be ordered of: {names}.")
    tried = [group for need, group in zip(wanted, found, strict=True) if need.returnable]
    alone = [group for need, group in zip(wanted, found, strict=True) if not need.returnable]
    chosen = [*_together(tried, request), *(_best(((choice,) for choice in group), request)[0] for group in alone)]
    return _by_supplier(chosen, market, options_after)


class _Search:
    """Looks for every line, and keeps what it could not find."""

    def __init__(self, request: OrderRequest, market: Market, offers: Offers) -> None:
        self._request = request
        self._market = market
        self._offers = offers
        self.lacking: list[tuple[PartsLine, str]] = []
        self.unconnected: set[str] = set()

    def choices(self, need: PartsLine) -> list[_Choice]:
        """Every offer that does; where there is none, why is kept."""
        fits = fitting(need, self._market.parts)
        offered = [*candidates(need, fits, self._offers)]
        payable = [item for item in offered if item.currency == self._market.currency]
        stocked = [item for item in payable if _in_stock(item, need.quantity.value)]
        connected = [item for item in stocked if item.supplier in self._market.suppliers]
        found = [_Choice(need, item, self._market.expected(item)) for item in connected]
        timely = [choice for choice in found if self._in_time(choice.expected_on)]
        if timely:
            return timely
        if not fits:
            self.lacking.append((need, NO_PART))
        elif not payable:
            self.lacking.append((need, why_no_price(fits, offered, self._market.currency)))
        elif not stocked:
            self.lacking.append((need, f"No supplier has {need.quantity.value} in stock."))
        elif not connected:
            self.unconnected |= {item.supplier for item in stocked}
        else:
            soonest = min(_day(choice.expected_on) for choice in found)
            self.lacking.append((need, f"Nobody has it here by {self._request.needed_by}; the soonest is {soonest}."))
        return []

    def _in_time(self, expected: date | UnsetType) -> bool:
        """Whether it is not known to come too late."""
        needed_by = self._request.needed_by
        return isinstance(needed_by, UnsetType) or isinstance(expected, UnsetType) or expected <= needed_by


def _check_stock(needs: Sequence[PartsLine], request: OrderRequest, pointer: str) -> Iterator[Fault]:
    numbers = {need.number for need in needs}
    for index, number in enumerate(request.from_stock):
        if number not in numbers:
            lines = ", ".join(str(each) for each in sorted(numbers))
            yield Fault(f"{pointer}/from_stock/{index}", f"line {number} is not ordered; those that are: {lines}")
        elif number in request.from_stock[:index]:
            yield Fault(f"{pointer}/from_stock/{index}", f"line {number} is given more than once")
    if numbers <= set(request.from_stock):
        yield Fault(f"{pointer}/from_stock", "leaves nothing to order")


def _in_stock(item: Candidate, quantity: int) -> bool:
    return isinstance(item.offer.stock, UnsetType) or item.offer.stock >= quantity


def _day(expected: date | UnsetType) -> date:
    return _UNKNOWN_DAY if isinstance(expected, UnsetType) else expected


def _together(groups: Sequence[Sequence[_Choice]], request: OrderRequest) -> tuple[_Choice, ...]:
    """One choice of each group: all of one supplier if one offers them all, or else each by itself."""
    offering = [{choice.item.supplier for choice in group} for group in groups]
    suppliers = set.intersection(*offering) if offering else set()
    if not suppliers:
        return tuple(_best(((choice,) for choice in group), request)[0] for group in groups)
    return _best((_of_one(supplier, groups, request) for supplier in sorted(suppliers)), request)


def _of_one(supplier: str, groups: Sequence[Sequence[_Choice]], request: OrderRequest) -> tuple[_Choice, ...]:
    """The best this supplier has in each group."""
    return tuple(
        _best(((choice,) for choice in group if choice.item.supplier == supplier), request)[0] for group in groups
    )


def _best(alternatives: Iterable[tuple[_Choice, ...]], request: OrderRequest) -> tuple[_Choice, ...]:
    return min(alternatives, key=lambda chosen: _preference(chosen, request))


def _preference(chosen: Sequence[_Choice], request: OrderRequest) -> Preference:
    """The very parts before those that stand in; then what is asked for first, cost or day; then by name."""
    away = sum(choice.item.away for choice in chosen)
    cost = sum((choice.item.price * choice.need.quantity.value for choice in chosen), Decimal(0))
    ready = max(_day(choice.expected_on) for choice in chosen)
    names = tuple((choice.item.supplier, choice.item.part.sku) for choice in chosen)
    return (away, ready, cost, names) if request.sourcing == "soonest" else (away, cost, ready, names)


def _by_supplier(chosen: Sequence[_Choice], market: Market, options_after: int) -> BySupplier:
    """The choices by supplier, each supplier's in the order of the parts list."""
    found: dict[str, list[Allotment]] = {}
    for choice in sorted(chosen, key=lambda each: each.need.number):
        found.setdefault(choice.item.supplier, []).append(_allotment(choice, market, options_after))
    return {supplier: tuple(items) for supplier, items in found.items()}


def _allotment(choice: _Choice, market: Market, options_after: int) -> Allotment:
    need, item = choice.need, choice.item
    supplier = market.suppliers[item.supplier]
    line = OrderLine(
        number=0,
        parts_line=0 if need.number > options_after else need.number,
        code=supplier.their_codes.get(item.part.sku, item.part.sku),
        sku=item.part.sku,
        name=item.part.name,
        quantity=need.quantity,
        unit_price=item.unit_cost,
        gtin=item.part.gtin,
        properties=as_made(item.part, need.properties),
        returnable=need.returnable,
        note=" ".join(filter(None, (need.note, _stands_in(need, item.part)))),
    )
    return Allotment(
        need=need, line=line, supplier=item.supplier, lead_days=item.offer.lead_days, expected_on=choice.expected_on
    )


def _stands_in(need: PartsLine, part: Part) -> str:
    """What is said of a part whose dimensions are not the very ones asked for."""
    made = as_made(part, need.properties)
    pairs = [(asked, has) for asked, has in zip(need.properties, made, strict=True) if asked.value != has.value]
    words = [
        f"{has.name.replace('_', ' ')} {has.value:g} mm for {asked.value:g} mm"
        for asked, has in pairs
        if isinstance(asked, Measure) and isinstance(has, Measure)
    ]
    return f"Stands in within what was approved: {', '.join(words)}." if words else ""
