"""What a fuzzer hands a target: bytes, taken from the front, so that a target can choose by the first of them."""

from collections.abc import Sequence
from typing import TypeVar

Choice = TypeVar("Choice")


class Handed:
    r"""Bytes that are used up from the front; where there are none left, they are zeros.

    >>> handed = Handed(b"\x01\x05rest")
    >>> handed.chosen(["a", "b"]), handed.number(4), handed.rest()
    ('b', 1, b'rest')
    """

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def number(self, below: int) -> int:
        """A number from 0 on, below 256 at most."""
        byte = self._data[self._at : self._at + 1]
        self._at += 1
        return byte[0] % below if byte else 0

    def chosen(self, among: Sequence[Choice]) -> Choice:
        """One of several."""
        return among[self.number(len(among))]

    def rest(self) -> bytes:
        """All that is left."""
        return self._data[self._at :]

    def text(self) -> str:
        """All that is left, as a server hands a header's value on (one character for each byte)."""
        return self.rest().decode("latin-1")
