"""Money: decimal strings and ISO 4217 codes, rounded to the currency's own minor unit."""

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Annotated, Literal

import msgspec

from cotterline.bench.data import load
from cotterline.bench.errors import Fault


class _Exponent(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    decimals: int
    currencies: tuple[str, ...]


class _Currencies(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    exponents: tuple[_Exponent, ...]


MINOR_DECIMALS: dict[str, int] = {
    code: row.decimals for row in load("currencies", _Currencies).exponents for code in row.currencies
}
"""Decimals of each currency's minor unit: ISO 4217:2015, list one as published on 2026-01-01."""


class Money(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An amount in one currency.

    Attributes:
        amount: decimal digits as text, so that no reader turns them into a binary fraction.
        currency: three letters of ISO 4217.

    >>> Money(amount="12.50", currency="EUR").decimal
    Decimal('12.50')
    """

    amount: Annotated[
        str,
        msgspec.Meta(
            pattern=r"^-?(0|[1-9][0-9]{0,11})(\.[0-9]{1,4})?(?![\s\S])",
            max_length=18,
            description="Decimal number as text, at most twelve digits before the point and four after it.",
            examples=["12.50"],
        ),
    ]
    currency: Annotated[
        str,
        msgspec.Meta(pattern=r"^[A-Z]{3}(?![\s\S])", max_length=3, description="Currency, ISO 4217.", examples=["EUR"]),
    ]

    @property
    def decimal(self) -> Decimal:
        """The amount as an exact number."""
        return Decimal(self.amount)


RoundingMode = Literal["half_even", "half_up"]


class Rounding(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where and how amounts of a bill are rounded.

    Attributes:
        mode: where half a minor unit goes: ``half_even`` to the even neighbour, ``half_up`` away from zero.
        at: ``line`` rounds every line; ``total`` rounds the total, and the lines are shown so that they add up to it.
    """

    mode: RoundingMode = "half_even"
    at: Literal["line", "total"] = "line"


def minor_unit(currency: str) -> Decimal:
    """The smallest amount of a currency.

    >>> minor_unit("EUR"), minor_unit("JPY")
    (Decimal('0.01'), Decimal('1'))
    """
    return Decimal(1).scaleb(-MINOR_DECIMALS[currency])


def whole(amount: Fraction, mode: RoundingMode) -> int:
    """The nearest whole number; ``mode`` says where a half goes. ``half_up`` is away from zero.

    >>> half = Fraction(5, 2)
    >>> whole(half, "half_even"), whole(half, "half_up"), whole(-half, "half_up")
    (2, 3, -3)
    """
    return nearest(amount.numerator, amount.denominator, mode)


def nearest(parts: int, of: int, mode: RoundingMode) -> int:
    """The whole number nearest to ``parts / of``, ``of`` above 0, as :func:`whole`.

    >>> nearest(5, 2, "half_even"), nearest(-5, 2, "half_up"), nearest(7, 3, "half_up")
    (2, -3, 2)
    """
    down, rest = divmod(parts, of)
    if 2 * rest != of:
        return down + (2 * rest > of)
    up = down % 2 == 1 if mode == "half_even" else parts > 0
    return down + up


@lru_cache(maxsize=4096)  # the amounts of a shop's rules and price lists come again in every estimate
def in_minor_units(amount: str | Decimal, currency: str) -> Fraction:
    """An amount as an exact number of the currency's minor units.

    >>> in_minor_units("12.345", "EUR")
    Fraction(2469, 2)
    """
    return Fraction(amount) / Fraction(minor_unit(currency))


@lru_cache(maxsize=8192)  # an estimate states some thirty amounts, and those of a shop's jobs lie close together
def of_minor_units(units: int, currency: str) -> Money:
    """A whole number of minor units as an amount.

    >>> of_minor_units(-5, "EUR").amount, of_minor_units(1500, "KWD").amount
    ('-0.05', '1.500')
    """
    decimals = MINOR_DECIMALS[currency]
    if decimals == 0:
        return Money(amount=str(units), currency=currency)
    digits = str(abs(units)).zfill(decimals + 1)
    sign = "-" if units < 0 else ""
    return Money(amount=f"{sign}{digits[:-decimals]}.{digits[-decimals:]}", currency=currency)


def rounded(amount: Decimal, currency: str, mode: RoundingMode = "half_even") -> Money:
    """``amount`` to the minor unit of ``currency``; ``mode`` says where a half goes.

    >>> rounded(Decimal("2.345"), "EUR").amount, rounded(Decimal("2.345"), "EUR", "half_up").amount
    ('2.34', '2.35')
    >>> rounded(Decimal("2.5"), "JPY").amount
    '2'
    """
    return of_minor_units(whole(in_minor_units(amount, currency), mode), currency)


def check_price(price: Money, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a price: an unknown currency, a negative amount, more decimals than there are coins."""
    decimals = MINOR_DECIMALS.get(price.currency)
    if decimals is None:
        yield Fault(f"{pointer}/currency", f"{price.currency} is no currency of ISO 4217 with a minor unit")
        return
    if price.decimal < 0:
        yield Fault(f"{pointer}/amount", "a price cannot be negative")
    if price.decimal != price.decimal.quantize(minor_unit(price.currency)):
        yield Fault(f"{pointer}/amount", f"{price.currency} has {decimals} decimals; {price.amount} has more")
