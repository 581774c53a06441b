"""Money: decimal strings and ISO 4217 codes, rounded half to even to the currency's own minor unit."""

from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Annotated

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


def rounded(amount: Decimal, currency: str) -> Money:
    """``amount`` to the minor unit of ``currency``, a half going to the even neighbour.

    >>> rounded(Decimal("2.345"), "EUR").amount, rounded(Decimal("2.5"), "JPY").amount
    ('2.34', '2')
    """
    step = Decimal(1).scaleb(-MINOR_DECIMALS[currency])
    # Adding zero turns a negative zero into a plain one.
    return Money(amount=f"{amount.quantize(step, ROUND_HALF_EVEN) + 0:f}", currency=currency)


def check_price(price: Money, pointer: str) -> Iterator[Fault]:
    """Yield what is wrong with a price: an unknown currency, a negative amount, more decimals than there are coins."""
    decimals = MINOR_DECIMALS.get(price.currency)
    if decimals is None:
        yield Fault(f"{pointer}/currency", f"{price.currency} is no currency of ISO 4217 with a minor unit")
        return
    if price.decimal < 0:
        yield Fault(f"{pointer}/amount", "a price cannot be negative")
    if price.decimal != price.decimal.quantize(Decimal(1).scaleb(-decimals)):
        yield Fault(f"{pointer}/amount", f"{price.currency} has {decimals} decimals; {price.amount} has more")
