"""Answers that hold a secret, kept so that nobody can read them but who asked for them.

They are sealed under a key made of the caller's own API key, of which the service keeps only a hash: HKDF (RFC 5869)
with SHA-256, then AES-256-GCM (NIST SP 800-38D, 2007).
"""

import os
from typing import Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

_NONCE: Final = 12
_KEY: Final = 32
_PURPOSE: Final = b"cotterline kept answer"


def seal(body: bytes, secret: bytes, mark: bytes) -> bytes:
    """Return ``body`` as it may be kept.

    Args:
        body: the answer.
        secret: what only the caller has.
        mark: what the answer is bound to: the fingerprint of its request.
    """
    nonce = os.urandom(_NONCE)
    return nonce + _cipher(secret, mark).encrypt(nonce, body, None)


def unseal(sealed: bytes, secret: bytes, mark: bytes) -> bytes | None:
    """Return the answer again, or None to anybody but who asked for it first.

    >>> unseal(seal(b"once", b"mine", b"m"), b"mine", b"m")
    b'once'
    >>> unseal(seal(b"once", b"mine", b"m"), b"yours", b"m") is None
    True
    """
    try:
        return _cipher(secret, mark).decrypt(sealed[:_NONCE], sealed[_NONCE:], None)
    except InvalidTag:
        return None


def _cipher(secret: bytes, mark: bytes) -> AESGCM:
    return AESGCM(HKDF(algorithm=SHA256(), length=_KEY, salt=mark, info=_PURPOSE).derive(secret))
