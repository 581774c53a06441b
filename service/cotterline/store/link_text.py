"""The token of an estimate link as text: a fixed beginning, 256 random bits, and a checksum.

``cotl_link_``, the secret in 52 letters, and the checksum of all that, as ``secret_text.py`` writes both. Whoever holds
it may see one estimate and answer it, so it is kept as a hash alone.
"""

import re
from typing import Final

from cotterline.store.secret_text import checked, holds, letters

SECRET_BYTES: Final = 32
"""256 random bits: a token is sent by mail, lies about for weeks and is tried without a key."""

PATTERN: Final = re.compile(r"cotl_link_[a-z2-7]{52}[0-9a-f]{8}")


def make() -> str:
    """Return a token with a new secret."""
    return written(letters(SECRET_BYTES))


def written(secret: str) -> str:
    """Return the token with this secret.

    >>> written("a" * 52)
    'cotl_link_aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa10b66162'
    """
    return checked(f"cotl_link_{secret}")


def is_token(text: str) -> bool:
    """Whether a text can be a token at all, issued or not.

    >>> is_token(written("a" * 52)), is_token("cotl_link_" + "a" * 60)
    (True, False)
    """
    return PATTERN.fullmatch(text) is not None and holds(text)
