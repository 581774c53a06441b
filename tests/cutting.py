"""A way to a service that drops connections: each after so many bytes, in whichever direction they went."""

import contextlib
import socket
import threading
from collections.abc import Iterator
from urllib.parse import urlsplit


class Cutting:
    """Passes connections on to an address, and cuts each once as many bytes have passed as it is allowed.

    Args:
        address: ``http://host:port`` of the service.
        allowed: bytes for each connection in turn; where it ends, no connection is cut any more.
    """

    def __init__(self, address: str, allowed: Iterator[int]) -> None:
        parts = urlsplit(address)
        self._target = (parts.hostname, parts.port)
        self._allowed = allowed
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._passing: list[threading.Thread] = []
        self.cuts = 0

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self._listener.getsockname()[1]}"

    @contextlib.contextmanager
    def running(self) -> Iterator["Cutting"]:
        """Serve while the block runs."""
        thread = threading.Thread(target=self._serve, daemon=True)
        thread.start()
        try:
            yield self
        finally:
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            for each in [thread, *self._passing]:
                each.join(10)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                passing = _Pass(self, client, socket.create_connection(self._target), next(self._allowed, None))
                self._passing.append(threading.Thread(target=passing.run, daemon=True))
                self._passing[-1].start()


class _Pass:
    """One connection passed on."""

    def __init__(self, way: Cutting, client: socket.socket, server: socket.socket, allowed: int | None) -> None:
        self._way, self._client, self._server, self._left = way, client, server, allowed
        self._lock = threading.Lock()

    def run(self) -> None:
        """Pass both directions on until one ends, and hang up on both sides."""
        back = threading.Thread(target=self._pump, args=(self._server, self._client), daemon=True)
        back.start()
        self._pump(self._client, self._server)
        back.join()
        self._client.close()
        self._server.close()

    def _pump(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(16384):
                other.sendall(data[: self._take(len(data))])
                if self._left == 0:
                    break
        for end in (self._client, self._server):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def _take(self, wanted: int) -> int:
        """How many of so many bytes may still pass."""
        with self._lock:
            if self._left is None:
                return wanted
            taken = min(wanted, self._left)
            if self._left and taken == self._left:
                self._way.cuts += 1
            self._left -= taken
            return taken
