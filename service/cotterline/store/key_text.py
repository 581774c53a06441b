"""An API key as text: which key, its secret, and a checksum that tells a mistyped one without a look-up.

``cotl_live_`` or ``cotl_test_``, the id in 32 hexadecimal digits, ``_``, the secret in 32 letters, and the checksum of
all that, as ``secret_text.py`` writes both.
"""

import hmac
import re
from typing import Final, cast
from uuid import UUID

import msgspec

from cotterline.store.secret_text import checked, digest, holds, letters
from cotterline.store.tenancy import Mode

SECRET_BYTES: Final = 20
"""160 random bits, more than anyone can try; so a plain hash keeps them, and no password hash is needed."""

PATTERN: Final = re.compile(r"cotl_(?P<mode>live|test)_(?P<id>[0-9a-f]{32})_[a-z2-7]{32}[0-9a-f]{8}")


class KeyText(msgspec.Struct, frozen=True):
    """What a key says of itself, whether or not it was ever issued."""

    mode: Mode
    id: UUID


def make(mode: Mode, key_id: UUID) -> str:
    """Return a key with a new secret."""
    return written(mode, key_id, letters(SECRET_BYTES))


def written(mode: Mode, key_id: UUID, secret: str) -> str:
    """Return the text of a key with this secret.

    >>> written("test", UUID(int=7), "a" * 32)
    'cotl_test_00000000000000000000000000000007_aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa575e7656'
    """
    return checked(f"cotl_{mode}_{key_id.hex}_{secret}")


def read(text: str) -> KeyText | None:
    """Return what the key says of itself, or None for what is no key or was mistyped.

    >>> key = written("test", UUID(int=7), "a" * 32)
    >>> read(key)
    KeyText(mode='test', id=UUID('00000000-0000-0000-0000-000000000007'))
    >>> read(key.replace("7_a", "8_a")) is None
    True
    """
    found = PATTERN.fullmatch(text)
    if found is None or not holds(text):
        return None
    return KeyText(cast("Mode", found["mode"]), UUID(found["id"]))


def matches(text: str, kept: bytes) -> bool:
    """Whether the key is the one kept, in a time that does not tell how much of it is."""
    return hmac.compare_digest(digest(text), kept)
