"""Who reads a page: in which language, by whose customs, in which unit; the shop's own unless the query says."""

from typing import Annotated

from litestar.params import QueryParameter

from cotterline.bench.quantity import Unit
from cotterline.bench.shop_profile import LOCALE_PATTERN, ShopProfile
from cotterline.documents.language import Language

LanguageTag = Annotated[
    str | None,
    QueryParameter(
        max_length=35,
        pattern=LOCALE_PATTERN,
        description=(
            "Language and customs it is told in, as a tag of BCP 47 such as de-AT; the shop's locale where it is left "
            "out. A language there is no catalogue for is told in English, with its own numbers and dates."
        ),
    ),
]
Units = Annotated[Unit | None, QueryParameter(description="Unit of its lengths; the shop's where it is left out.")]


def reader(profile: ShopProfile, tag: str | None, units: Unit | None) -> Language:
    """The language of whoever reads: as asked for, or else the shop's."""
    return Language.of(tag or profile.locale, units or profile.calculation.units)
