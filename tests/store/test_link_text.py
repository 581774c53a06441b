"""The token of a link: beyond guessing, known to a scanner, and sure to show a slip."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uuid_utils.compat import uuid7

from cotterline.store import key_text, link_text, secret_text

TOKEN = link_text.make()


def test_a_secret_has_256_random_bits() -> None:
    # RFC 6749 (2012), section 10.10: guessing must succeed with 2^-128 at most, and should with 2^-160.
    secrets = [link_text.make()[10:62] for _ in range(500)]
    assert len(set(secrets)) == 500
    assert {len(secret) for secret in secrets} == {52}
    assert math.ceil(8 * link_text.SECRET_BYTES / math.log2(32)) == 52
    assert 8 * link_text.SECRET_BYTES == 256


@given(place=st.integers(0, len(TOKEN) - 1), letter=st.characters(codec="ascii"))
def test_one_wrong_character_is_always_told(place: int, letter: str) -> None:
    wrong = TOKEN[:place] + letter + TOKEN[place + 1 :]
    assert link_text.is_token(wrong) == (wrong == TOKEN)


@given(st.text(max_size=90))
def test_any_other_text_is_no_token_and_no_failure(words: str) -> None:
    assert not link_text.is_token(words)


@pytest.mark.parametrize("around", ["{}\n", " {}", "{} ", "x{}", "{}\0", "{}0", "{}."])
def test_a_token_with_anything_around_it_is_none(around: str) -> None:
    assert not link_text.is_token(around.format(TOKEN))


def test_a_scanner_finds_a_token_in_a_text_and_takes_it_for_no_key() -> None:
    words = f"https://bench.example/estimate/{TOKEN}, and {key_text.make('live', uuid7())}"
    (found,) = re.finditer(link_text.PATTERN, words)
    assert found[0] == TOKEN
    assert key_text.read(TOKEN) is None
    assert not link_text.is_token(key_text.make("test", uuid7()))


def test_what_is_kept_of_a_token_is_its_sha_256() -> None:
    # FIPS 180-4 (2015); the digest of "abc" from NIST's example values.
    assert secret_text.digest("abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
