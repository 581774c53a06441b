"""Secrets as text: random letters, and a checksum that tells a mistyped one without a look-up.

The letters are base 32 (RFC 4648, section 6) in lower case without padding; the checksum is the CRC-32 of all before
it, in 8 hexadecimal digits. With a fixed beginning before them, a scanner for leaked secrets finds such a text and
nothing else.
"""

import hashlib
import secrets
import zlib
from base64 import b32encode
from typing import Final

CHECK_LENGTH: Final = 8


def letters(count: int) -> str:
    """Return ``count`` random bytes as letters.

    >>> len(letters(20)), len(letters(32))
    (32, 52)
    """
    return b32encode(secrets.token_bytes(count)).decode("ascii").rstrip("=").lower()


def checked(body: str) -> str:
    """Return the text with its checksum behind it.

    >>> checked("123456789")
    '123456789cbf43926'
    """
    return body + _check(body)


def holds(text: str) -> bool:
    """Whether the checksum at the end of an ASCII text is that of all before it.

    >>> holds("123456789cbf43926"), holds("123456798cbf43926")
    (True, False)
    """
    return _check(text[:-CHECK_LENGTH]) == text[-CHECK_LENGTH:]


def digest(text: str) -> bytes:
    """Return what is kept of a secret: the SHA-256 of its whole text."""
    return hashlib.sha256(text.encode()).digest()


def _check(body: str) -> str:
    return f"{zlib.crc32(body.encode('ascii')):08x}"
