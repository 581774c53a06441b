"""Trade item numbers: GTINs of 8, 12, 13 or 14 digits.

The check digit is that of the GS1 General Specifications, section 7.9 (the modulo-10 sum of the product of weights 3
and 1), through a published library of number formats.
"""

from collections.abc import Iterator
from typing import Annotated

from msgspec import Meta, UnsetType
from stdnum import ean

from cotterline.bench.errors import Fault

Gtin = Annotated[
    str,
    Meta(
        pattern=r"^([0-9]{8}|[0-9]{12,14})(?![\s\S])",
        max_length=14,
        description="Global Trade Item Number of 8, 12, 13 or 14 digits; its check digit is checked.",
    ),
]


def check_gtin(number: str | UnsetType, pointer: str) -> Iterator[Fault]:
    """Yield a fault where there is a number and its check digit is wrong.

    >>> [*check_gtin("4006381333931", "/gtin")]
    []
    """
    if not isinstance(number, UnsetType) and not ean.is_valid(number):
        yield Fault(pointer, f"the check digit of {number} is wrong")
