"""A bill: lines whose sum is the total, to the smallest coin, in any currency and with any rates of tax.

All arithmetic is in exact fractions of minor units. Rounded by line, every line is rounded as it arises and later
lines are reckoned from rounded ones. Rounded on the total, the exact total is rounded once, and each line shown is the
whole number below or above its exact amount, larger remainders first, so that the lines shown add up. Tax is one line
or summary for each rate, on the sum of what carries it (EN 16931-1:2017, rule BR-CO-17).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import floor
from typing import Final, Literal

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.labour.book import LabourClass
from cotterline.bench.money import Money
from cotterline.bench.pricing.in_force import PricingInForce
from cotterline.bench.pricing.rules import BillKind, SundriesFlat, SundriesShare
from cotterline.bench.pricing.sourcing import Basket, SourcedLine

LineKind = Literal["labour", "parts", "sundries", "shipping", "discount", "tax"]
MINUTES_AN_HOUR: Final = 60
_LABOUR_WORDS: Final[Mapping[LabourClass, str]] = {
    "bench": "Work at the bench",
    "cutting": "Cutting work on the frame's threads and faces",
    "frame": "Frame builder's work",
}


class BillLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line. Its unit code is of UNECE Recommendation 20: C62 a piece, MIN a minute.

    Attributes:
        number: counted from 1.
        kind: what it is for.
        description: in words.
        quantity: how many, as decimal digits in text.
        unit_code: of what.
        unit_price: of ``base_quantity`` of them; left out where the amount is not so reckoned.
        base_quantity: how many the unit price is for: 60 for an hour's rate on minutes.
        amount: what the line comes to; a discount is negative.
        tax_rate: name of the rate of tax in or on it, where it carries one.
    """

    number: int
    kind: LineKind
    description: str
    quantity: str = "1"
    unit_code: Literal["C62", "MIN"] = "C62"
    unit_price: Money | UnsetType = UNSET
    base_quantity: str = "1"
    amount: Money
    tax_rate: str | UnsetType = UNSET


class TaxSum(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one rate of tax comes to; ``net`` and ``tax`` add up to ``gross``."""

    rate: str
    percent: str
    net: Money
    tax: Money
    gross: Money


class Bill(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be paid.

    Attributes:
        lines: their amounts add up to ``total``.
        prices: whether the lines have tax ``included``, or it is ``added`` in lines of its own.
        taxes: by rate.
        net: total less tax.
        tax: of all rates.
        total: to pay.
    """

    lines: tuple[BillLine, ...]
    prices: Literal["included", "added"]
    taxes: tuple[TaxSum, ...]
    net: Money
    tax: Money
    total: Money


@dataclass(frozen=True, slots=True, kw_only=True)
class Charged:
    """What a bill charges for.

    Attributes:
        minutes: by labour class, for a bill that shows them.
        labour: a sum in minor units that stands for all labour instead of ``minutes``.
        basket: the parts.
        exchanges: how often a spindle is sent back for another.
    """

    minutes: Mapping[LabourClass, int] | None = None
    labour: Fraction | None = None
    basket: Basket = field(default_factory=Basket)
    exchanges: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    kind: LineKind
    taxed_as: BillKind
    description: str
    amount: Fraction
    quantity: int = 1
    unit_code: Literal["C62", "MIN"] = "C62"
    unit_price: Money | UnsetType = UNSET
    base_quantity: int = 1
    rate: str | None = None


def bill(work: Charged, rules: PricingInForce) -> Bill:
    """The bill for some work. Labour of a class without a rate, and shipping without a price, have no line."""
    entries = [*_Writer(rules).entries(work)]
    amounts = _shown([entry.amount for entry in entries], rules)
    taxes = tuple(_tax_sums(entries, amounts, rules))
    tax = sum(int(rules.units(item.tax.amount)) for item in taxes)
    return Bill(
        lines=tuple(_line(*pair, number, rules) for number, pair in enumerate(zip(entries, amounts, strict=True), 1)),
        prices=rules.tax.prices,
        taxes=taxes,
        net=rules.money(sum(amounts) - tax),
        tax=rules.money(tax),
        total=rules.money(sum(amounts)),
    )


class _Writer:
    """Writes the entries of a bill in their order."""

    def __init__(self, rules: PricingInForce) -> None:
        self.rules = rules
        self.pricing = rules.pricing
        self.by_line = rules.pricing.rounding.at == "line"

    def entries(self, work: Charged) -> Iterator[_Entry]:
        labour = [*self._labour(work)]
        parts = [*self._parts(work.basket.lines)]
        discounts = [*self._discounts("labour", labour), *self._discounts("parts", parts)]
        kept = {
            kind: sum((entry.amount for entry in [*labour, *parts, *discounts] if entry.taxed_as == kind), Fraction(0))
            for kind in ("labour", "parts")
        }
        written = [*labour, *parts, *discounts, *self._sundries(kept), *self._shipping(work)]
        yield from written
        if self.rules.tax.prices == "added":
            yield from self._tax(written)

    def _coin(self, amount: Fraction) -> Fraction:
        return Fraction(self.rules.nearest(amount)) if self.by_line else amount

    def _labour(self, work: Charged) -> Iterator[_Entry]:
        charged_so_far = Fraction(0)
        for entry in self._hours(work):
            charged_so_far += entry.amount
            yield entry
        least = self.rules.units(self.pricing.minimum_labour)
        if self.rules.rated and charged_so_far < least:
            yield _Entry(
                kind="labour",
                taxed_as="labour",
                description="Up to the minimum charge for labour",
                amount=least - charged_so_far,
            )

    def _hours(self, work: Charged) -> Iterator[_Entry]:
        if work.labour is not None:
            yield _Entry(kind="labour", taxed_as="labour", description="Labour", amount=self._coin(work.labour))
        for labour_class, minutes in (work.minutes or {}).items():
            rate = self.rules.hourly(labour_class)
            if rate is not None and minutes > 0:
                yield _Entry(
                    kind="labour",
                    taxed_as="labour",
                    description=_LABOUR_WORDS[labour_class],
                    amount=self._coin(rate * minutes / MINUTES_AN_HOUR),
                    quantity=minutes,
                    unit_code="MIN",
                    unit_price=self.rules.money(int(rate)),
                    base_quantity=MINUTES_AN_HOUR,
                )

    def _parts(self, lines: Sequence[SourcedLine]) -> Iterator[_Entry]:
        for line in lines:
            yield _Entry(
                kind="parts",
                taxed_as="parts",
                description=line.name,
                amount=self.rules.units(line.unit_price.amount) * line.quantity,
                quantity=line.quantity,
                unit_price=line.unit_price,
            )

    def _discounts(self, kind: Literal["labour", "parts"], entries: Sequence[_Entry]) -> Iterator[_Entry]:
        """Each rounded as the step it adds to all before it, so that together they never exceed what they are on."""
        price = sum((entry.amount for entry in entries), Fraction(0))
        percent, taken = Fraction(0), Fraction(0)
        for discount in self.pricing.discounts:
            if not entries or discount.on not in {kind, "all"}:
                continue
            percent += Fraction(discount.percent)
            so_far = self._coin(price * percent / 100)
            words = f"{discount.name}: {discount.percent} % off {kind}"
            yield _Entry(kind="discount", taxed_as=kind, description=words, amount=taken - so_far)
            taken = so_far

    def _sundries(self, kept: Mapping[str, Fraction]) -> Iterator[_Entry]:
        rule = self.pricing.sundries
        if isinstance(rule, SundriesFlat):
            yield self._sundry("Sundries", self.rules.units(rule.amount))
        elif isinstance(rule, SundriesShare):
            amount = self._coin(kept[rule.of] * Fraction(rule.percent) / 100)
            if not isinstance(rule.cap, UnsetType):
                amount = min(amount, self.rules.units(rule.cap))
            yield self._sundry(f"Sundries: {rule.percent} % of {rule.of}", amount)

    def _sundry(self, words: str, amount: Fraction) -> _Entry:
        return _Entry(kind="sundries", taxed_as="sundries", description=words, amount=amount)

    def _shipping(self, work: Charged) -> Iterator[_Entry]:
        out, back = self.pricing.shipping, self.pricing.return_shipping
        deliveries = (1 if work.basket.lines else 0) + work.exchanges
        if deliveries and not isinstance(out, UnsetType):
            yield self._sent("Delivery of parts", out, deliveries)
        returned = work.basket.returns + work.exchanges
        if returned and not isinstance(back, UnsetType):
            yield self._sent("Sending a spindle back", back, returned)

    def _sent(self, words: str, price: str, times: int) -> _Entry:
        units = self.rules.units(price)
        return _Entry(
            kind="shipping",
            taxed_as="shipping",
            description=words,
            amount=units * times,
            quantity=times,
            unit_price=self.rules.money(int(units)),
        )

    def _tax(self, entries: Sequence[_Entry]) -> Iterator[_Entry]:
        for rate in self.rules.tax.rates:
            carrying = [entry for entry in entries if self.rules.tax_on(entry.taxed_as) == rate]
            if carrying:
                net = sum((entry.amount for entry in carrying), Fraction(0))
                yield _Entry(
                    kind="tax",
                    taxed_as=carrying[0].taxed_as,
                    description=f"{rate.name}, {rate.percent} %",
                    amount=self._coin(net * Fraction(rate.percent) / 100),
                    rate=rate.name,
                )


def _shown(exact: Sequence[Fraction], rules: PricingInForce) -> list[int]:
    """Whole minor units that add up to the rounded sum; amounts that are whole already stay as they are."""
    shown = [floor(amount) for amount in exact]
    short = rules.nearest(sum(exact, Fraction(0))) - sum(shown)
    largest_first = sorted(range(len(exact)), key=lambda index: (shown[index] - exact[index], index))
    for index in largest_first[:short]:
        shown[index] += 1
    return shown


def _tax_sums(entries: Sequence[_Entry], amounts: Sequence[int], rules: PricingInForce) -> Iterator[TaxSum]:
    for rate in rules.tax.rates:
        pairs = [*zip(entries, amounts, strict=True)]
        stated = sum(amount for entry, amount in pairs if entry.rate == rate.name)
        carrying = [amount for entry, amount in pairs if entry.rate is None and rules.tax_on(entry.taxed_as) == rate]
        if not carrying:
            continue
        gross, percent = sum(carrying) + stated, Fraction(rate.percent)
        tax = stated if rules.tax.prices == "added" else rules.nearest(gross * percent / (100 + percent))
        yield TaxSum(
            rate=rate.name,
            percent=rate.percent,
            net=rules.money(gross - tax),
            tax=rules.money(tax),
            gross=rules.money(gross),
        )


def _line(entry: _Entry, amount: int, number: int, rules: PricingInForce) -> BillLine:
    rate = rules.tax_on(entry.taxed_as)
    return BillLine(
        number=number,
        kind=entry.kind,
        description=entry.description,
        quantity=str(entry.quantity),
        unit_code=entry.unit_code,
        unit_price=entry.unit_price,
        base_quantity=str(entry.base_quantity),
        amount=rules.money(amount),
        tax_rate=UNSET if rate is None else rate.name,
    )
