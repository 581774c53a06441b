"""The text of a key: long enough to be beyond guessing, plain enough for a scanner, and sure to show a slip."""

import math
import re
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uuid_utils.compat import uuid7

from cotterline.store import key_text, secret_text
from cotterline.store.tenancy import MODES, Mode

KEY = key_text.make("live", uuid7())


@pytest.mark.parametrize("mode", MODES)
def test_a_key_says_its_mode_and_its_id(mode: Mode) -> None:
    key_id = uuid7()
    assert key_text.read(key_text.make(mode, key_id)) == key_text.KeyText(mode, key_id)


def test_a_secret_has_160_random_bits() -> None:
    # RFC 6749 (2012), section 10.10: guessing a token must succeed with 2^-128 at most, and should with 2^-160.
    secrets = [key_text.make("live", uuid7())[43:75] for _ in range(500)]
    assert len(set(secrets)) == 500
    assert {len(secret) for secret in secrets} == {32}
    assert 32 * math.log2(32) == 8 * key_text.SECRET_BYTES >= 160
    for place in range(32):  # 32 letters at every place: each is missing in 500 draws once in 8 million
        assert len({secret[place] for secret in secrets}) >= 30


def test_the_checksum_is_the_crc_32_of_all_before_it() -> None:
    # CRC-32 as zlib computes it; check value of "123456789" in the catalogue of parametrised CRC algorithms: cbf43926.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert int(KEY[-8:], 16) == zlib.crc32(KEY[:-8].encode())


@given(place=st.integers(0, len(KEY) - 1), letter=st.characters(codec="ascii"))
def test_one_wrong_character_is_always_told(place: int, letter: str) -> None:
    wrong = KEY[:place] + letter + KEY[place + 1 :]
    assert (key_text.read(wrong) is None) == (wrong != KEY)


@given(place=st.integers(0, len(KEY) - 2))
def test_two_neighbours_swapped_are_always_told(place: int) -> None:
    wrong = KEY[:place] + KEY[place + 1] + KEY[place] + KEY[place + 2 :]
    assert (key_text.read(wrong) is None) == (wrong != KEY)


@given(st.text(max_size=120))
def test_any_other_text_is_no_key_and_no_failure(words: str) -> None:
    assert key_text.read(words) is None


@pytest.mark.parametrize("around", ["{}\n", " {}", "{} ", "x{}", "{}\0", "{}0"])
def test_a_key_with_anything_around_it_is_none(around: str) -> None:
    assert key_text.read(around.format(KEY)) is None


def test_a_scanner_finds_a_key_in_a_text_and_nothing_else() -> None:
    words = f'curl -H "Authorization: Bearer {KEY}" https://bench.example/v1/quotes # 9f3a-{uuid7()}'
    (found,) = re.finditer(key_text.PATTERN, words)
    assert found[0] == KEY


def test_a_key_matches_its_own_hash_alone() -> None:
    assert key_text.matches(KEY, secret_text.digest(KEY))
    assert not key_text.matches(KEY, secret_text.digest(key_text.make("live", uuid7())))
    assert not key_text.matches(KEY, b"")


def test_the_hash_is_sha_256() -> None:
    # FIPS 180-4 (2015); the digest of "abc" from NIST's example values.
    assert secret_text.digest("abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
