"""The client's end: requests made beforehand over a few connections, so that next to nothing of the time is its own."""

import socket
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final, NamedTuple

CONNECTIONS: Final = 4
"""At once: enough that the server never waits for a client."""

SECONDS: Final = 120.0


class Load(NamedTuple):
    """What a load took.

    Attributes:
        requests: how many were answered.
        seconds: by the clock on the wall.
        answered: bytes of answers, without their heads.
    """

    requests: int
    seconds: float
    answered: int


class Client:
    """One connection that is kept open."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), SECONDS)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def ask(self, request: bytes) -> bytes:
        """Send one request and return the body of its answer.

        Raises:
            RuntimeError: the answer is no success: a benchmark of refusals would be worth nothing.
        """
        self._socket.sendall(request)
        head, body = self._read_head()
        length = next(
            int(line.split(b":")[1]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")
        )
        parts, there = [body], len(body)
        while there < length:
            parts.append(self._more())
            there += len(parts[-1])
        body = b"".join(parts)
        if not head.startswith(b"HTTP/1.1 2"):
            raise RuntimeError(f"refused: {head.decode()}\n{body.decode()}")
        return body

    def _read_head(self) -> tuple[bytes, bytes]:
        come = bytearray()
        while (end := come.find(b"\r\n\r\n")) < 0:
            come += self._more()
        return bytes(come[:end]), bytes(come[end + 4 :])

    def _more(self) -> bytes:
        more = self._socket.recv(1 << 18)
        if not more:
            raise RuntimeError("the server hung up")
        return more


def ask_all(port: int, requests: Iterable[bytes], connections: int = CONNECTIONS) -> Load:
    """Ask everything, over so many connections at once."""
    asked = [*requests]
    shares = [asked[place::connections] for place in range(connections)]
    with ThreadPoolExecutor(connections) as pool:
        began = time.perf_counter()
        answered = sum(pool.map(lambda share: _ask_share(port, share), shares))
        return Load(len(asked), time.perf_counter() - began, answered)


def _ask_share(port: int, requests: Sequence[bytes]) -> int:
    client = Client(port)
    try:
        return sum(len(client.ask(request)) for request in requests)
    finally:
        client.close()
