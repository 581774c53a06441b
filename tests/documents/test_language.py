"""Words come from catalogues, and numbers, money and dates from the Unicode CLDR."""

from datetime import date

import pytest

from cotterline.bench.money import Money
from cotterline.bench.quantity import Length
from cotterline.documents.language import Language


def test_a_word_the_catalogue_does_not_know_is_shown_as_it_stands() -> None:
    assert Language.of("de").say("chain line") == "Kettenlinie"
    assert Language.of("de").say("Bertha's own words") == "Bertha's own words"


@pytest.mark.parametrize(
    ("tag", "number", "money", "day"),
    [
        # Unicode CLDR: decimal comma and full stop for groups in German; symbols and order by country.
        ("en-GB", "1,234.5", "€1,234.50", "1 May 2024"),
        ("en-US", "1,234.5", "€1,234.50", "May 1, 2024"),
        ("de-DE", "1.234,5", "1.234,50\xa0€", "1. Mai 2024"),
        ("de-CH", "1'234.5", "EUR\xa01'234.50", "1. Mai 2024"),
    ],
)
def test_numbers_money_and_days_follow_the_locale(tag: str, number: str, money: str, day: str) -> None:
    language = Language.of(tag)
    assert language.number(1234.5) == number
    assert language.money(Money(amount="1234.50", currency="EUR")) == money
    assert language.day(date(2024, 5, 1)) == day


@pytest.mark.parametrize(("tag", "shown"), [("de-AT", "de"), ("fr-FR", "en"), ("en-x-bench", "en"), ("qq", "en")])
def test_a_language_without_a_catalogue_is_told_in_english(tag: str, shown: str) -> None:
    assert Language.of(tag).tag == shown


def test_a_length_is_told_in_the_readers_unit() -> None:
    length = Length(43.5, "mm", 0.5)
    assert Language.of("en").length(length) == "43.5 ± 0.5 mm"
    assert Language.of("en", "in").length(length) == "1.713 ± 0.02 in"


def test_a_chance_is_never_rounded_to_certainty() -> None:
    assert Language.of("en").percent(0.9999) == "99%"
    assert Language.of("en").percent(1.0) == "100%"
    assert Language.of("de").percent(0.123, 1) == "12,3\xa0%"
