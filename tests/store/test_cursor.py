"""A cursor comes back whole or not at all."""

import itertools
from base64 import urlsafe_b64encode
from binascii import crc_hqx
from datetime import UTC, datetime, timedelta, timezone
from typing import get_args
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.bench.errors import CotterlineError
from cotterline.store.cursor import Cursor, List, decode, encode

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"

places = st.builds(Cursor, st.datetimes(timezones=st.just(UTC)), st.uuids())


def refused(token: str) -> bool:
    with pytest.raises(CotterlineError) as refusal:
        decode(token)
    return refusal.value.code == "bad-cursor"


def token_of(body: bytes) -> str:
    return urlsafe_b64encode(body + crc_hqx(body, 0xFFFF).to_bytes(2, "big")).decode()


@given(places)
def test_every_place_comes_back_from_a_token_that_needs_no_quoting_in_a_url(place: Cursor) -> None:
    token = encode(place)
    assert decode(token) == place
    assert set(token) <= set(ALPHABET)


@given(places, st.data())
def test_a_token_with_one_wrong_character_is_refused(place: Cursor, data: st.DataObject) -> None:
    token = encode(place)
    at = data.draw(st.integers(0, len(token) - 1))
    other = data.draw(st.sampled_from(ALPHABET.replace(token[at], "")))
    assert refused(token[:at] + other + token[at + 1 :])


@given(places, st.integers(0, 35))
def test_a_token_cut_short_or_lengthened_is_refused(place: Cursor, length: int) -> None:
    token = encode(place)
    assert refused(token[:length])
    assert refused(token + token[: length + 1])


@given(st.text(max_size=40) | st.text(ALPHABET, min_size=36, max_size=36))
def test_text_that_is_no_token_is_refused_and_never_breaks(text: str) -> None:
    assert refused(text)


@pytest.mark.parametrize("microseconds", [-(2**63), 2**63 - 1, 253_402_300_800_000_000, -62_135_596_800_000_001])
def test_a_forged_token_for_a_time_outside_the_calendar_is_refused(microseconds: int) -> None:
    assert refused(token_of(b"\x01" + microseconds.to_bytes(8, "big", signed=True) + bytes(16)))


def test_a_token_for_another_list_is_refused() -> None:
    body = bytes(8) + bytes(16)
    assert decode(token_of(b"\x01" + body)) == Cursor(datetime(1970, 1, 1, tzinfo=UTC), UUID(int=0))
    assert refused(token_of(b"\x02" + body))
    for written, read in itertools.permutations(get_args(List), 2):
        with pytest.raises(CotterlineError) as refusal:
            decode(encode(Cursor(datetime(2024, 5, 1, tzinfo=UTC), UUID(int=1)), written), read)
        assert refusal.value.code == "bad-cursor"


def test_the_same_instant_gives_the_same_token_in_every_zone() -> None:
    noon = datetime(2024, 5, 1, 12, tzinfo=UTC)
    elsewhere = noon.astimezone(timezone(timedelta(hours=-7)))
    assert encode(Cursor(noon, UUID(int=1))) == encode(Cursor(elsewhere, UUID(int=1)))
