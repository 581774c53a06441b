"""The key a client gives a request, so that sending it again does nothing twice: read, and bound to its request."""

import hashlib
import re

from cotterline.api.drafts import IDEMPOTENCY_KEY
from cotterline.api.problems import RequestRefusedError

MAX_KEY = 255
"""Longest key, in characters without quotation marks. The draft leaves the limit to the service."""

_STRING = re.compile(r'"((?:[\x20-\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')
"""An sf-string (RFC 9651, section 3.3.3), which the draft asks for."""

_BARE = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~:/=-]+")
"""The same key without quotation marks, as many clients send it; nothing that a list or parameters are made of."""

KEY_PATTERN = rf'^("([ !#-\[\]-~]|\\["\\]){{1,{MAX_KEY}}}"|{_BARE.pattern[:-1]}{{1,{MAX_KEY}}})(?![\s\S])'
"""Both forms, for the API document."""


def read_key(values: list[str]) -> str:
    """The key in the header's values; with quotation marks or without, it is the same key.

    Raises:
        RequestRefusedError: ``idempotency-key-missing``, or ``malformed-request`` for what is no key.

    >>> read_key(['"8e03978e"']) == read_key(["8e03978e"])
    True
    """
    if not values:
        raise RequestRefusedError(
            "idempotency-key-missing", f"This request makes something: name it with {IDEMPOTENCY_KEY}."
        )
    value = values[0].strip(" \t")
    string = _STRING.fullmatch(value)
    key = re.sub(r'\\(["\\])', r"\1", string[1]) if string else value if _BARE.fullmatch(value) else ""
    if len(values) > 1 or not 1 <= len(key) <= MAX_KEY:
        words = f"{IDEMPOTENCY_KEY} must be one string of 1 to {MAX_KEY} characters, such as {_EXAMPLE}."
        raise RequestRefusedError("malformed-request", words)
    return key


_EXAMPLE = '"8e03978e-40d5-43dd-bc93-6894a57f9324"'


def fingerprint(method: str, path: str, query: bytes, body: bytes) -> bytes:
    """What a key is bound to: the same key with anything else is a mistake of the client's.

    Each part is preceded by its length, so that no two requests run together to the same bytes.
    """
    digest = hashlib.sha256()
    for part in (method.encode(), path.encode(), query, body):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.digest()
