"""What people read, in their language: words out of a catalogue, numbers, money and dates by the customs of a locale.

A text's English is its name: what no catalogue knows, a shop's own words above all, is shown as it stands. Catalogues
are PO files (the GNU gettext manual, "The Format of PO Files") in ``languages/``; numbers, money and dates follow the
Unicode CLDR as Babel carries it.
"""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from importlib.resources import files
from io import BytesIO
from typing import Final

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_time, get_datetime_format
from babel.messages.pofile import read_po
from babel.numbers import format_currency, format_decimal
from msgspec import UnsetType

from cotterline.bench.money import Money
from cotterline.bench.quantity import Length, Unit

SOURCE: Final = "en"
"""The language the service itself is written in."""

_FOLDER: Final = files("cotterline.documents").joinpath("languages")

LANGUAGES: Final[tuple[str, ...]] = (
    SOURCE,
    *sorted(entry.name.removesuffix(".po") for entry in _FOLDER.iterdir() if entry.name.endswith(".po")),
)
"""What there are words for: English, and each language that has a catalogue."""


class Language:
    """One language with the customs of one locale, and the unit lengths are told in.

    >>> german = Language.of("de-AT")
    >>> german.number(43.5), german.length(Length(110.0, "mm", 0.5))
    ('43,5', '110 ± 0,5 mm')
    """

    def __init__(self, locale: Locale, words: Mapping[str, str], units: Unit) -> None:
        self.locale = locale
        self.units: Unit = units
        self._words = words

    @classmethod
    def of(cls, tag: str, units: Unit = "mm") -> "Language":
        """The language of a BCP 47 tag; English words where there is no catalogue, with the locale's own numbers."""
        locale = _locale(tag)
        return cls(locale, _catalogue(locale.language), units)

    @property
    def tag(self) -> str:
        """What the words are in, as ``lang`` of a page says it."""
        return self.locale.language if self.locale.language in LANGUAGES else SOURCE

    def say(self, text: str, /, **values: object) -> str:
        """The text in this language, each ``{name}`` in it replaced by the value of that name."""
        told = self._words.get(text, text)
        return told.format_map(values) if values else told

    def number(self, value: float, places: int = 3, *, fixed: bool = False) -> str:
        """A number, to at most so many decimal places, or to just as many where they are fixed.

        >>> Language.of("de").number(2.5), Language.of("de").number(2.5, 2, fixed=True)
        ('2,5', '2,50')
        """
        digits = ("0" if fixed else "#") * places
        text: str = format_decimal(round(value, places) + 0.0, format=f"#,##0.{digits}", locale=self.locale)
        return text

    def length(self, length: Length, places: int | None = None) -> str:
        """A length in this reader's unit, with its plus-minus where it has one; 0.1 mm or 0.001 in unless told."""
        told = length.to(self.units)
        digits = (1 if self.units == "mm" else 3) if places is None else places
        spread = "" if isinstance(told.plus_minus, UnsetType) else f" ± {self.number(told.plus_minus, digits)}"
        return f"{self.number(told.value, digits)}{spread} {self.units}"

    def money(self, money: Money) -> str:
        """An amount with its currency."""
        text: str = format_currency(Decimal(money.amount), money.currency, locale=self.locale, currency_digits=True)
        return text

    def percent(self, share: float, places: int = 0) -> str:
        """A share of one as a percentage; never rounded to all or nothing where it is neither."""
        least = 10.0 ** -(places + 2)
        held = share if share in {0.0, 1.0} else min(max(share, least), 1.0 - least)
        digits = format_decimal(round(held * 100, places), format=f"0.{'0' * places}", locale=self.locale)
        pattern: str = self.locale.percent_formats[None].pattern
        return pattern.replace("#,##0", digits)

    def day(self, at: date | datetime) -> str:
        """A day, in words."""
        text: str = format_date(at, format="long", locale=self.locale)
        return text

    def time(self, at: datetime) -> str:
        """A day and a time of it, to the minute, in UTC.

        >>> Language.of("de").time(datetime(2024, 5, 1, 9, 30, 59, tzinfo=UTC))
        '1. Mai 2024, 09:30 UTC'
        """
        utc = at.astimezone(UTC)
        written = format_time(utc, format="short", locale=self.locale)
        pattern = str(get_datetime_format("medium", locale=self.locale))
        return f"{pattern.replace('{1}', self.day(utc)).replace('{0}', written)} UTC"


def _locale(tag: str) -> Locale:
    """The locale of a tag, or of the longest beginning of it that is known."""
    parts = tag.split("-")
    while parts:
        try:
            return Locale.parse("-".join(parts), sep="-")
        except (UnknownLocaleError, ValueError):
            parts.pop()
    return Locale(SOURCE)


@cache
def _catalogue(language: str) -> Mapping[str, str]:
    """The words of a language by their English; none where there is no catalogue, or none is needed."""
    if language == SOURCE or language not in LANGUAGES:
        return {}
    written = _FOLDER.joinpath(f"{language}.po").read_bytes()
    catalogue = read_po(BytesIO(written), locale=language)
    return {str(message.id): str(message.string) for message in catalogue if message.id and message.string}
