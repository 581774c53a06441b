"""The key of a request is read as a structured string or bare, and bound to everything that was sent."""

import re
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.api.idempotency_key import KEY_PATTERN, MAX_KEY, fingerprint, read_key
from cotterline.api.problems import RequestRefusedError

UUID = "8e03978e-40d5-43dd-bc93-6894a57f9324"  # the draft's own example, section 2.1


@pytest.mark.parametrize(
    ("value", "key"),
    [
        (f'"{UUID}"', UUID),
        (UUID, UUID),
        ('"a \\"quoted\\" \\\\ key"', 'a "quoted" \\ key'),
        ('" "', " "),
        ("  abc\t", "abc"),
        ("x" * MAX_KEY, "x" * MAX_KEY),
        (f'"{"x" * MAX_KEY}"', "x" * MAX_KEY),
        ("AQ+/=:.~_-", "AQ+/=:.~_-"),
    ],
)
def test_a_key_is_read_with_or_without_quotation_marks(value: str, key: str) -> None:
    assert read_key([value]) == key
    assert re.fullmatch(KEY_PATTERN, value.strip())


@pytest.mark.parametrize(
    "values",
    [[""], ['""'], ['"a'], ['a"'], ["a b"], ["a,b"], ['"a";q=1'], ['"\\a"'], ["clé"], ['"clé"'], ["a\x00b"],
     ["x" * (MAX_KEY + 1)], [f'"{"x" * (MAX_KEY + 1)}"'], ["a", "a"], ['"a"', '"b"']],
)  # fmt: skip
def test_what_is_no_key_is_malformed(values: list[str]) -> None:
    with pytest.raises(RequestRefusedError) as refusal:
        read_key(values)
    assert refusal.value.code == "malformed-request"
    assert len(values) > 1 or not re.fullmatch(KEY_PATTERN, values[0])


def test_a_request_without_a_key_is_told_so() -> None:
    with pytest.raises(RequestRefusedError) as refusal:
        read_key([])
    assert refusal.value.code == "idempotency-key-missing"


@given(st.text(max_size=300))
def test_no_value_is_a_failure(value: str) -> None:
    try:
        assert 1 <= len(read_key([value])) <= MAX_KEY
    except RequestRefusedError as refusal:
        assert refusal.code == "malformed-request"  # noqa: PT017 - either outcome is right


def test_the_fingerprint_tells_every_part_from_every_other() -> None:
    sent = [
        ("POST", "/a", b"", b""),
        ("PUT", "/a", b"", b""),
        ("POST", "/b", b"", b""),
        ("POST", "/a", b"b", b""),
        ("POST", "/a", b"", b"b"),
        ("POST", "/ab", b"", b""),
    ]
    assert all(fingerprint(*one) != fingerprint(*other) for one, other in combinations(sent, 2))
    assert fingerprint(*sent[0]) == fingerprint(*sent[0])
