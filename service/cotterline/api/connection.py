"""One connection to a client, with a limit on what the server has none for: the head of a request that never ends."""

import asyncio
from typing import Final

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

HEAD_SECONDS: Final = 20.0
"""How long after the connection, or after the answer before, the head of a request must be complete."""


class Connection(HttpToolsProtocol):
    """The server's own, closed without an answer where a head is not complete in time.

    A client that sends a byte now and then would otherwise hold a connection for ever. Where nothing comes between
    requests the server's own, shorter limit holds, and for bodies that of ``edge.py``.
    """

    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as the server has it
        """Wait for the first head."""
        super().connection_made(transport)
        self._wait_for_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._head_came()
        super().connection_lost(exc)

    def on_headers_complete(self) -> None:
        """Wait no more: the head is here."""
        self._head_came()
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """Wait for the next head, unless it is here already; what is left of a body nobody read counts as waiting."""
        super().on_response_complete()
        if self.timeout_keep_alive_task is not None:
            self._wait_for_head()

    def _wait_for_head(self) -> None:
        self._head_came()
        self._head_timer = self.loop.call_later(HEAD_SECONDS, self.transport.close)

    def _head_came(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
