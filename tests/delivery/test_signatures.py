"""Signatures hold by the published vector and by the specification's own library, and nothing forged passes."""

import hmac
from base64 import b64encode
from datetime import UTC, datetime, timedelta
from unittest.mock import patch

import hypothesis.strategies as st
import pytest
import standardwebhooks
from hypothesis import given

from cotterline.bench.errors import CotterlineError
from cotterline.delivery import signatures
from cotterline.delivery.signatures import signed, verified

# Standard Webhooks, libraries' own test vector.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105 - published
MESSAGE = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT = datetime.fromtimestamp(1614265330, UTC)
BODY = b'{"test": 2432232314}'
SIGNED = {
    "webhook-id": MESSAGE,
    "webhook-timestamp": "1614265330",
    "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
}
OTHER = "whsec_" + b64encode(bytes(range(24))).decode()

secrets = st.binary(min_size=24, max_size=64).map(lambda key: "whsec_" + b64encode(key).decode())
ids = st.text(st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="."), min_size=1, max_size=200)
instants = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - timezones
bodies = st.text(max_size=200).map(lambda text: text.encode(errors="replace"))  # the oracle reads only UTF-8


def refused(headers: dict[str, str], body: bytes = BODY, now: datetime = AT, secret: str = SECRET) -> str:
    with pytest.raises(CotterlineError) as caught:
        verified([secret], headers, body, now)
    assert caught.value.code == "signature-refused"
    assert secret.removeprefix("whsec_") not in caught.value.detail
    return caught.value.detail


def test_the_published_vector_is_signed_alike_and_verifies() -> None:
    assert signed([SECRET], MESSAGE, AT, BODY) == SIGNED
    assert verified([SECRET], SIGNED, BODY, AT) == MESSAGE


@given(secrets, ids, instants, bodies)
def test_the_published_library_signs_alike(secret: str, message_id: str, at: datetime, body: bytes) -> None:
    oracle = standardwebhooks.Webhook(secret)
    assert signed([secret], message_id, at, body)["webhook-signature"] == oracle.sign(message_id, at, body.decode())


@given(st.lists(secrets, min_size=1, max_size=2), ids, bodies)
def test_the_published_library_verifies_with_either_secret_of_two(texts: list[str], name: str, body: bytes) -> None:
    headers = signed(texts, name, datetime.now(UTC), body)
    for text in texts:
        standardwebhooks.Webhook(text).verify(body, headers, json_parse=False)


@given(secrets, ids, instants, bodies)
def test_what_the_published_library_signs_verifies(secret: str, message_id: str, at: datetime, body: bytes) -> None:
    signature = standardwebhooks.Webhook(secret).sign(message_id, at, body.decode())
    headers = dict(zip(signatures.SIGNATURE_HEADERS, (message_id, str(int(at.timestamp())), signature), strict=True))
    assert verified([OTHER, secret], headers, body, at) == message_id


@given(st.data(), secrets, ids, instants, st.binary(min_size=1, max_size=200))
def test_a_message_with_one_bit_changed_is_refused(
    data: st.DataObject, secret: str, message_id: str, at: datetime, body: bytes
) -> None:
    place = data.draw(st.integers(0, len(body) * 8 - 1))
    changed = bytearray(body)
    changed[place // 8] ^= 1 << place % 8
    refused(signed([secret], message_id, at, body), bytes(changed), at, secret)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("webhook-id", MESSAGE + "x"),
        ("webhook-timestamp", "1614265331"),
        ("webhook-signature", ""),
        ("webhook-signature", "v1,"),
        ("webhook-signature", SIGNED["webhook-signature"].removeprefix("v1,")),
        ("webhook-signature", SIGNED["webhook-signature"].replace("v1,", "v2,")),
        ("webhook-signature", SIGNED["webhook-signature"].replace("v1,", "v1a,")),
        ("webhook-signature", SIGNED["webhook-signature"].lower()),
        ("webhook-signature", SIGNED["webhook-signature"][:-1]),
        ("webhook-signature", "v1,\xe9"),
        ("webhook-signature", "v1,\ud800"),
    ],
)
def test_a_header_that_was_changed_is_refused(name: str, value: str) -> None:
    assert refused(SIGNED | {name: value}) == "No signature in webhook-signature fits."


@pytest.mark.parametrize("missing", signatures.SIGNATURE_HEADERS)
def test_a_message_without_one_of_the_headers_is_refused(missing: str) -> None:
    assert missing in refused({name: value for name, value in SIGNED.items() if name != missing})


@pytest.mark.parametrize("second", ["", "1614265330.0", "-1", "+1614265330", "1614265330 ", "١٦١٤٢٦٥٣٣٠", "9" * 400])
def test_a_time_that_is_no_whole_second_is_refused(second: str) -> None:
    headers = signed([SECRET], MESSAGE, AT, BODY) | {"webhook-timestamp": second}
    assert "webhook-timestamp must be" in refused(headers)


@pytest.mark.parametrize("message_id", ["", "a.b", "a b", "a\n", "é", "a" * 201])
def test_an_id_that_could_pass_for_something_else_is_refused(message_id: str) -> None:
    assert "webhook-id must have" in refused(signed([SECRET], message_id, AT, BODY))


def test_the_same_signed_bytes_cannot_be_cut_another_way() -> None:
    assert verified([SECRET], signed([SECRET], "a", AT, b"1.x"), b"1.x", AT) == "a"
    second = str(int(AT.timestamp()))
    recut = {**signed([SECRET], "a", AT, second.encode() + b".x"), "webhook-id": f"a.{second}"}
    refused(recut, b"x")


@pytest.mark.parametrize(("seconds", "genuine"), [(300, True), (301, False), (-300, True), (-301, False)])
def test_five_minutes_either_way_are_near_enough(seconds: int, *, genuine: bool) -> None:
    now = AT + timedelta(seconds=seconds)
    if genuine:
        assert verified([SECRET], SIGNED, BODY, now) == MESSAGE
    else:
        assert "300 seconds" in refused(SIGNED, now=now)


def test_one_fitting_signature_among_several_is_enough() -> None:
    ours = SIGNED["webhook-signature"]
    for value in (f"v1,AAAA {ours}", f"v1a,x {ours} v9,y", f"{ours} {ours}"):
        assert verified([OTHER, SECRET], SIGNED | {"webhook-signature": value}, BODY, AT) == MESSAGE


def test_without_a_secret_nothing_is_genuine_and_nothing_is_signed() -> None:
    with pytest.raises(CotterlineError, match="No signature"):
        verified([], SIGNED, BODY, AT)
    assert "webhook-signature" not in signed([], MESSAGE, AT, BODY)


def test_every_signature_is_compared_in_constant_time_with_every_secret() -> None:
    with patch.object(hmac, "compare_digest", wraps=hmac.compare_digest) as compared:
        verified([SECRET, OTHER], SIGNED | {"webhook-signature": SIGNED["webhook-signature"] + " v1,x"}, BODY, AT)
    assert compared.call_count == 4


def test_a_time_zone_does_not_change_the_signature() -> None:
    assert signed([SECRET], MESSAGE, AT.astimezone(), BODY) == SIGNED


def test_a_secret_that_is_made_is_one_and_no_other() -> None:
    made = {signatures.made_secret() for _ in range(100)}
    assert len(made) == 100
    assert [fault for text in made for fault in signatures.check_secret(text, "/text")] == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "begins with whsec_"),
        (SECRET.removeprefix("whsec_"), "begins with whsec_"),
        ("whsec_" + b64encode(bytes(23)).decode(), "has 23 bytes"),
        ("whsec_" + b64encode(bytes(65)).decode(), "has 65 bytes"),
        ("whsec_***", "not base 64"),
        ("whsec_" + b64encode(bytes(25)).decode().rstrip("="), "not base 64"),
        (SECRET + "\n", "not base 64"),
        ("whsec_é", "not base 64"),
    ],
)
def test_what_is_no_secret_is_told_without_repeating_it(text: str, words: str) -> None:
    (fault,) = signatures.check_secret(text, "/text")
    assert (fault.pointer, words in fault.detail) == ("/text", True)
    assert len(text) <= 6 or text.removeprefix("whsec_") not in fault.detail


@pytest.mark.parametrize("length", [24, 64])
def test_a_secret_of_24_or_64_bytes_is_one(length: int) -> None:
    assert [*signatures.check_secret("whsec_" + b64encode(bytes(length)).decode(), "/text")] == []
