"""Signed messages, genuine and not, so that a partner can try a verifier without the service."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

import msgspec

from cotterline.api.event_examples import event_example
from cotterline.delivery.signatures import ID, SIGNATURE, TIMESTAMP, TOLERANCE, signed
from cotterline.practice_supplier.rules import REPLY_SECRET, SIGNING_SECRET

_PUBLISHED: Final = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
"""Secret of the vector that Standard Webhooks' own libraries are tested with."""

_PUBLISHED_ID: Final = "msg_p5jXN8AQM9LWM0D4loKWxJek"
_PUBLISHED_BODY: Final = '{"test": 2432232314}'
_AT: Final = 1614265330
_FAR: Final = int(TOLERANCE.total_seconds())
_LATIN: Final = '{"note":"café, ½ \u2033, 日本"}'


class SignatureVector(msgspec.Struct, frozen=True, kw_only=True):
    """One message as it arrives.

    Attributes:
        name: what it is an example of.
        genuine: whether a verifier must take it.
        why: what makes it so.
        secrets: those that hold.
        now: the second at which it is verified, since 1970.
        headers: by names in small letters.
        body: as text; its bytes are UTF-8.
    """

    name: str
    genuine: bool
    why: str
    secrets: tuple[str, ...]
    now: int
    headers: dict[str, str]
    body: str


def vectors() -> tuple[SignatureVector, ...]:
    """Every example, the genuine ones first."""
    return (*_genuine(), *_forged())


def _genuine() -> Iterator[SignatureVector]:
    event = msgspec.json.encode(event_example("order.sent")).decode()
    old, new = SIGNING_SECRET, REPLY_SECRET
    yield _vector("published", "The vector of Standard Webhooks' own libraries.")
    yield _vector("event", "An event as it is posted.", body=event, secrets=(SIGNING_SECRET,))
    yield _vector("beyond ascii", "The bytes are signed, whatever they mean.", body=_LATIN)
    yield _vector("empty", "There need not be a body.", body="")
    rotated = _vector("rotation", "During a rotation there is a signature for each secret.", secrets=(new, old))
    yield rotated
    yield _with(rotated, "old secret", "Either secret verifies it.", secrets=(old,))
    yield _with(rotated, "new secret", "Either secret verifies it.", secrets=(new,))
    plain = _vector("", "")
    more = f"v2,AAAA v1a,AAAA {plain.headers[SIGNATURE]}"
    yield _changed(plain, "other versions", "Signatures of versions not known are passed over.", SIGNATURE, more)
    yield _with(plain, "just in time", f"It was sent {_FAR} seconds ago, and no more.", now=_AT + _FAR)
    yield _with(plain, "clock ahead", f"It was sent {_FAR} seconds from now, and no more.", now=_AT - _FAR)


def _forged() -> Iterator[SignatureVector]:
    plain = _with(_vector("", ""), "", "", genuine=False)
    right = plain.headers[SIGNATURE]
    other = _PUBLISHED_BODY.replace(" ", "")
    yield _with(plain, "other body", "One byte of the body is gone.", body=other)
    yield _with(plain, "other secret", "It was signed with a secret that does not hold.", secrets=(REPLY_SECRET,))
    yield _with(plain, "no secret", "Without a secret nothing verifies.", secrets=())
    yield _with(plain, "too old", f"It was sent more than {_FAR} seconds ago.", now=_AT + _FAR + 1)
    yield _with(plain, "too early", f"It was sent more than {_FAR} seconds from now.", now=_AT - _FAR - 1)
    yield _changed(plain, "other id", "The id is signed too.", ID, "msg_another")
    yield _changed(plain, "other time", "The time is signed too.", TIMESTAMP, str(_AT + 1))
    yield _changed(plain, "time in words", "The time is no whole number of seconds.", TIMESTAMP, "noon")
    yield _changed(plain, "id with a full stop", "Part of it could pass for the time.", ID, "msg.1")
    yield _changed(plain, "other version", "A version not known proves nothing.", SIGNATURE, right.replace("v1", "v2"))
    yield _changed(plain, "no version", "A signature names its version.", SIGNATURE, right.removeprefix("v1,"))
    yield _changed(plain, "cut off", "A part of a signature is none.", SIGNATURE, right[:-8])
    yield _changed(plain, "no signature", "Without a signature it is not signed.", SIGNATURE, "")


def _vector(
    name: str, why: str, body: str = _PUBLISHED_BODY, secrets: tuple[str, ...] = (_PUBLISHED,)
) -> SignatureVector:
    headers = signed(secrets, _PUBLISHED_ID, datetime.fromtimestamp(_AT, UTC), body.encode())
    return SignatureVector(name=name, genuine=True, why=why, secrets=secrets, now=_AT, headers=headers, body=body)


def _with(vector: SignatureVector, name: str, why: str, **changes: object) -> SignatureVector:
    return msgspec.structs.replace(vector, name=name, why=why, **changes)


def _changed(vector: SignatureVector, name: str, why: str, header: str, value: str) -> SignatureVector:
    return _with(vector, name, why, headers=vector.headers | {header: value})
