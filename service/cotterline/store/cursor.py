"""The place in a list, as an opaque token: a client hands it back, and need not know what is in it."""

import binascii
import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Literal
from uuid import UUID

import msgspec

from cotterline.bench.errors import CotterlineError

_TOKEN = re.compile(r"[A-Za-z0-9_-]{36}")
List = Literal[
    "quotes",
    "keys",
    "audit",
    "labour_times",
    "deliveries",
    "secrets",
    "orders",
    "subscriptions",
    "recheck_visits",
    "quote_runs",
]
_KINDS: Mapping[List, bytes] = {
    "quotes": b"\x01",
    "keys": b"\x02",
    "audit": b"\x03",
    "labour_times": b"\x04",
    "deliveries": b"\x05",
    "secrets": b"\x06",
    "orders": b"\x07",
    "subscriptions": b"\x08",
    "recheck_visits": b"\x09",
    "quote_runs": b"\x0a",
}
"""First byte of the token. Every list has its own, so that no token serves two lists."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class Cursor(msgspec.Struct, frozen=True):
    """The last row of a page: the next page starts behind it, whatever was added in front meanwhile."""

    created_at: datetime
    id: UUID


def encode(cursor: Cursor, of: List = "quotes") -> str:
    """Return the token: 36 characters that stand in a URL as they are.

    >>> place = Cursor(datetime(2024, 5, 1, tzinfo=UTC), UUID(int=7))
    >>> decode(encode(place)) == place
    True
    """
    microseconds = (cursor.created_at - _EPOCH) // _MICROSECOND
    body = _KINDS[of] + microseconds.to_bytes(8, "big", signed=True) + cursor.id.bytes
    return urlsafe_b64encode(body + _check(body)).decode("ascii")


def decode(token: str, of: List = "quotes") -> Cursor:
    """Read a token of this list back.

    The check in it catches a mangled token, which would otherwise quietly give another page. It keeps no secret:
    a forged token only chooses where a list the caller may read begins.

    Raises:
        CotterlineError: ``bad-cursor``, for anything :func:`encode` did not write for this list.
    """
    if not _TOKEN.fullmatch(token):
        raise _refusal()
    data = urlsafe_b64decode(token)
    body = data[:-2]
    if body[:1] != _KINDS[of] or data[-2:] != _check(body):
        raise _refusal()
    try:
        created_at = _EPOCH + int.from_bytes(body[1:9], "big", signed=True) * _MICROSECOND
    except OverflowError as error:
        raise _refusal() from error
    return Cursor(created_at, UUID(bytes=body[9:]))


def _check(body: bytes) -> bytes:
    return binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")


def _refusal() -> CotterlineError:
    return CotterlineError("bad-cursor", "the cursor is not one this service gave out; start from the first page")
