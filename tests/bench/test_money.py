"""Money against ISO 4217."""

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from fractions import Fraction

import iso4217
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.money import (
    MINOR_DECIMALS,
    Money,
    RoundingMode,
    check_price,
    in_minor_units,
    of_minor_units,
    rounded,
    whole,
)

DECODE = msgspec.json.Decoder(Money).decode


def test_every_currency_has_the_minor_unit_of_iso_4217_list_one() -> None:
    published = {item.code: item.exponent for item in iso4217.Currency if item.exponent is not None}
    assert published == MINOR_DECIMALS


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        ("2.345", "EUR", "2.34"),
        ("2.355", "EUR", "2.36"),
        ("2.5", "JPY", "2"),
        ("3.5", "JPY", "4"),
        ("1.0005", "KWD", "1.000"),
        ("1.0015", "KWD", "1.002"),
        ("-0.001", "EUR", "0.00"),
        ("1000000", "CLF", "1000000.0000"),
    ],
)
def test_a_half_is_rounded_to_the_even_minor_unit(amount: str, currency: str, text: str) -> None:
    assert rounded(Decimal(amount), currency) == Money(amount=text, currency=currency)


# Ties by hand, by round-half-even and round-half-up of the General Decimal Arithmetic Specification, version 1.70: the
# latter rounds the magnitude, so away from zero.
@pytest.mark.parametrize(
    ("amount", "even", "up"),
    [
        ("0.5", 0, 1),
        ("1.5", 2, 2),
        ("2.5", 2, 3),
        ("-0.5", 0, -1),
        ("-2.5", -2, -3),
        ("2.4999", 2, 2),
        ("-2.51", -3, -3),
    ],
)
def test_a_half_goes_where_the_mode_says(amount: str, even: int, up: int) -> None:
    assert (whole(Fraction(amount), "half_even"), whole(Fraction(amount), "half_up")) == (even, up)


@given(st.fractions(-(10**6), 10**6, max_denominator=1000), st.sampled_from(["half_even", "half_up"]))
def test_rounding_is_that_of_the_standard_librarys_decimals(amount: Fraction, mode: RoundingMode) -> None:
    # Ten decimals, cut off towards zero with a sticky last digit, keep which side of a half an amount is on.
    scaled = amount * 10**10
    digits = int(scaled) * 10 + (0 if scaled.denominator == 1 else 1 if amount > 0 else -1)
    exact = Decimal(digits).scaleb(-11)
    oracle = {"half_even": ROUND_HALF_EVEN, "half_up": ROUND_HALF_UP}[mode]
    assert whole(amount, mode) == int(exact.quantize(Decimal(1), oracle))


@pytest.mark.parametrize(
    ("currency", "units", "amount"), [("JPY", 5, "5"), ("EUR", -5, "-0.05"), ("KWD", 1500, "1.500")]
)
def test_an_amount_is_a_whole_number_of_the_smallest_coins(currency: str, units: int, amount: str) -> None:
    assert of_minor_units(units, currency).amount == amount
    assert in_minor_units(amount, currency) == units


@given(st.integers(-(10**9), 10**9), st.sampled_from(sorted(MINOR_DECIMALS)))
def test_the_smallest_coin_is_that_of_iso_4217(units: int, currency: str) -> None:
    exponent = iso4217.Currency(currency).exponent
    assert exponent is not None
    assert of_minor_units(units, currency).decimal == Decimal(units) / 10**exponent


@given(
    st.decimals(-(10**9), 10**9, allow_nan=False, allow_infinity=False, places=7),
    st.sampled_from(sorted(MINOR_DECIMALS)),
)
def test_rounding_moves_no_amount_by_more_than_half_a_minor_unit(amount: Decimal, currency: str) -> None:
    outcome = rounded(amount, currency)
    assert abs(outcome.decimal - amount) <= Decimal("0.5").scaleb(-MINOR_DECIMALS[currency])
    assert DECODE(msgspec.json.encode(outcome)) == outcome


@pytest.mark.parametrize(
    "amount",
    ["", "1,5", "1.", ".5", "01", "1e3", "NaN", "Infinity", "١", "1\n", " 1", "+1", "1234567890123", "0.12345"],
)
def test_an_amount_that_is_no_plain_decimal_is_refused(amount: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=r"\$\.amount"):
        DECODE(msgspec.json.encode({"amount": amount, "currency": "EUR"}))


@pytest.mark.parametrize(
    ("amount", "currency", "pointer", "word"),
    [
        ("1.00", "ZZZ", "/p/currency", "ISO 4217"),
        ("1.00", "XAU", "/p/currency", "ISO 4217"),
        ("-1.00", "EUR", "/p/amount", "negative"),
        ("1.5", "JPY", "/p/amount", "decimals"),
        ("1.005", "EUR", "/p/amount", "decimals"),
    ],
)
def test_a_price_that_cannot_be_paid_is_named(amount: str, currency: str, pointer: str, word: str) -> None:
    faults = list(check_price(Money(amount=amount, currency=currency), "/p"))
    assert [fault.pointer for fault in faults] == [pointer]
    assert word in faults[0].detail


def test_trailing_zeros_beyond_the_minor_unit_are_no_fault() -> None:
    assert not list(check_price(Money(amount="5.0000", currency="JPY"), ""))
