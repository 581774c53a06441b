"""Signatures over what is posted, both ways, by Standard Webhooks 1.0 (symmetric, ``v1``: HMAC with SHA-256).

What is signed is the message's id, the second it is sent at and the very bytes of the body, with full stops between.
"""

import hmac
import re
import secrets
from base64 import b64decode, b64encode
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

from cotterline.bench.errors import CotterlineError, Fault

ID: Final = "webhook-id"
TIMESTAMP: Final = "webhook-timestamp"
SIGNATURE: Final = "webhook-signature"
SIGNATURE_HEADERS: Final = (ID, TIMESTAMP, SIGNATURE)
"""What a signed post carries besides its body."""

TOLERANCE: Final = timedelta(minutes=5)
"""How far the time a message names may lie from now: an older one may be somebody else's, sent again."""

_PREFIX: Final = "whsec_"
_VERSION: Final = "v1,"
_SECRET_BYTES: Final = range(24, 65)
_MADE_BYTES: Final = 32
_MESSAGE_ID: Final = re.compile(r"[!-\-/-~]{1,200}", re.ASCII)
"""Printable and without a full stop: with one in it, part of the id could pass for the time, and the time for body."""

_SECOND: Final = re.compile(r"[0-9]{1,11}", re.ASCII)


def made_secret() -> str:
    """Return a new secret: 32 random bytes, as text."""
    return _PREFIX + b64encode(secrets.token_bytes(_MADE_BYTES)).decode()


def check_secret(text: str, pointer: str) -> Iterator[Fault]:
    """Yield what keeps a text from being a secret to sign with; never the text.

    >>> [fault.detail for fault in check_secret("whsec_c2hvcnQ=", "/text")]
    ['has 5 bytes behind whsec_; a signing secret has 24 to 64']
    """
    if not text.startswith(_PREFIX):
        yield Fault(pointer, f"a signing secret begins with {_PREFIX}")
        return
    try:
        length = len(b64decode(text.removeprefix(_PREFIX), validate=True))
    except ValueError:
        yield Fault(pointer, f"what follows {_PREFIX} is not base 64 with padding")
        return
    if length not in _SECRET_BYTES:
        yield Fault(pointer, f"has {length} bytes behind {_PREFIX}; a signing secret has 24 to 64")


def signed(secret_texts: Sequence[str], message_id: str, at: datetime, body: bytes) -> dict[str, str]:
    """Return the headers of a message: one signature for each secret, so that either end of a rotation can verify.

    Args:
        secret_texts: those that hold, newest first; with none there is no signature, only the id and the time.
        message_id: the same over every try.
        at: when this try is made.
        body: the bytes that go out.

    >>> secret, at = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", datetime.fromtimestamp(1614265330).astimezone()
    >>> signed([secret], "msg_p5jXN8AQM9LWM0D4loKWxJek", at, b'{"test": 2432232314}')["webhook-signature"]
    'v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE='
    """
    second = str(int(at.timestamp()))
    headers = {ID: message_id, TIMESTAMP: second}
    if secret_texts:
        headers[SIGNATURE] = " ".join(_signature(secret, message_id, second, body) for secret in secret_texts)
    return headers


def verified(secret_texts: Sequence[str], headers: Mapping[str, str], body: bytes, now: datetime) -> str:
    """Return the id of a message that was signed with one of the secrets not long ago.

    Every signature is compared with what each secret gives, in a time that does not tell how much of it fits.

    Args:
        secret_texts: those that hold.
        headers: by names in small letters.
        body: the bytes that came.
        now: the present instant.

    Raises:
        CotterlineError: ``signature-refused``, in the same words for every message that is not genuine, save that its
            form or its time may be named as what is wrong: whoever sent it knows both.
    """
    message_id, second, shown = (headers.get(name, "") for name in SIGNATURE_HEADERS)
    if not _MESSAGE_ID.fullmatch(message_id):
        raise _refusal(f"{ID} must have 1 to 200 printable characters other than full stops.")
    if not _SECOND.fullmatch(second):
        raise _refusal(f"{TIMESTAMP} must be whole seconds since 1970.")
    if abs(int(second) - now.timestamp()) > TOLERANCE.total_seconds():
        raise _refusal(f"{TIMESTAMP} is more than {TOLERANCE.total_seconds():.0f} seconds from now.")
    wanted = [_signature(secret, message_id, second, body).encode() for secret in secret_texts]
    given = [part.encode(errors="replace") for part in shown.split(" ")]
    if not sum(hmac.compare_digest(one, other) for one in wanted for other in given):
        raise _refusal(f"No signature in {SIGNATURE} fits.")
    return message_id


def _signature(secret: str, message_id: str, second: str, body: bytes) -> str:
    key = b64decode(secret.removeprefix(_PREFIX), validate=True)
    mac = hmac.digest(key, f"{message_id}.{second}.".encode() + body, "sha256")
    return _VERSION + b64encode(mac).decode()


def _refusal(words: str) -> CotterlineError:
    return CotterlineError("signature-refused", words)
