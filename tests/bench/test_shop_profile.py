"""What a shop sets for itself is held to what makes sense."""

import re

import msgspec
import pytest

from cotterline.bench.chain.methods import MeasuredChainLine
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import Reading
from cotterline.bench.shop import ShopSettings, StockedLengths
from cotterline.bench.shop_profile import DEFAULT, ShopCrank, ShopProfile, Tax, TaxRate, check_profile, with_cranks
from cotterline.bench.spindle.aim import StatedAim
from cotterline.bench.spindle.crank import NamedCrank, ReferencePair, UnknownCrank
from cotterline.bench.spindle.question import SpindleQuestion

PAIR = ReferencePair(spindle_length=Reading(value=122), chain_line=MeasuredChainLine(chain_line=Reading(value=46)))
CRANK = ShopCrank(name="touring double", crank=PAIR)
TWICE = StockedLengths(shell_width=68, lengths=(110.0,))


def locale(tag: str) -> ShopProfile:
    return msgspec.convert({"locale": tag}, ShopProfile)


def test_the_default_makes_sense() -> None:
    check_profile(DEFAULT)


@pytest.mark.parametrize(
    ("profile", "pointer"),
    [
        (ShopProfile(currency="XYZ"), "/currency"),
        (ShopProfile(tax=Tax(rates=(TaxRate(name="full", percent="20"),) * 2)), "/tax/rates/1/name"),
        (ShopProfile(cranks=(CRANK, CRANK)), "/cranks/1/name"),
        (
            ShopProfile(cranks=(ShopCrank(name="a", crank=ReferencePair(spindle_length=Reading(value=122))),)),
            "/cranks/0/crank/chain_line",
        ),
        (
            ShopProfile(cranks=(msgspec.structs.replace(CRANK, crank=msgspec.structs.replace(PAIR, ring="outer")),)),
            "/cranks/0/crank/ring",
        ),
        (
            ShopProfile(calculation=ShopSettings(stocked_lengths=(TWICE, TWICE))),
            "/calculation/stocked_lengths/1/shell_width",
        ),
        (
            ShopProfile(calculation=ShopSettings(run_out_good_mm=1.2, run_out_most_mm=1.1)),
            "/calculation/run_out_good_mm",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_place(profile: ShopProfile, pointer: str) -> None:
    with pytest.raises(CotterlineError) as refusal:
        check_profile(profile)
    assert [fault.pointer for fault in refusal.value.faults] == [pointer]


# Examples of RFC 5646, appendix A, that are well-formed langtags.
@pytest.mark.parametrize(
    "tag",
    ["de", "fr", "zh-Hant", "zh-cmn-Hans-CN", "sr-Latn-RS", "sl-rozaj-biske", "de-CH-1901", "hy-Latn-IT-arevela",
     "es-419", "de-CH-x-phonebk", "az-Arab-x-AZE-derbend", "zh-CN-a-myext-x-private", "en-US-u-islamcal"],
)  # fmt: skip
def test_a_well_formed_language_tag_is_taken(tag: str) -> None:
    assert locale(tag).locale == tag


# The first two are invalid examples of RFC 5646, appendix A.
@pytest.mark.parametrize(
    "tag", ["de-419-DE", "a-DE", "", "e", "en_GB", "en-", "en-GB\n", "english-language-tag", "en-é"]
)
def test_what_is_no_language_tag_is_refused(tag: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        locale(tag)


@pytest.mark.parametrize("percent", ["0", "20", "5.5", "99.999"])
def test_a_rate_is_decimal_digits(percent: str) -> None:
    assert msgspec.convert({"name": "full", "percent": percent}, TaxRate).percent == percent


@pytest.mark.parametrize("percent", ["", "-1", "100", "1e1", "NaN", "05", "5.", "5.5555", "5\n", "٥", "5,5"])
def test_a_rate_in_another_form_is_refused(percent: str) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"name": "full", "percent": percent}, TaxRate)


def test_a_crank_named_in_a_question_is_the_shops() -> None:
    profile = ShopProfile(cranks=(CRANK,))
    aim = StatedAim(chain_line=Reading(value=43.5))
    named = SpindleQuestion(target=aim, crank=NamedCrank(name="touring double"))
    known = msgspec.structs.replace(PAIR, model="touring double")
    assert with_cranks(named, profile) == msgspec.structs.replace(named, crank=known)
    for crank in (NamedCrank(name="Touring double"), UnknownCrank(), PAIR):
        other = msgspec.structs.replace(named, crank=crank)
        assert with_cranks(other, profile) == other


def test_every_currency_of_the_schema_is_one_of_iso_4217() -> None:
    (field,) = [field for field in msgspec.structs.fields(ShopProfile) if field.name == "currency"]
    schema = msgspec.json.schema(field.type)
    assert len(schema["enum"]) > 150
    assert all(re.fullmatch("[A-Z]{3}", code) for code in schema["enum"])
