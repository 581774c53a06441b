"""One connection to a client, with limits on what the server has none for: the head of a request that never ends."""

import asyncio
from typing import Final

import msgspec
import uuid_utils
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from cotterline.api.exchange import ALWAYS
from cotterline.api.problems import MEDIA_TYPE, Call, RequestRefusedError, document

HEAD_SECONDS: Final = 20.0
"""How long after the connection, or after the answer before, the head of a request must be complete."""

MAX_HEAD_BYTES: Final = 2 * 1024 * 1024
"""What of a head is waited for: far more than ``edge.py`` lets pass, so that who only overdid it is told so."""


class Connection(HttpToolsProtocol):
    """The server's own, closed without an answer where a head is not complete in time, or longer than it may be.

    A client that sends a byte now and then would otherwise hold a connection for ever, and one that sends a field
    without an end would fill the memory. Where nothing comes between requests the server's own, shorter limit holds,
    and for bodies that of ``edge.py``.
    """

    _head_timer: asyncio.TimerHandle | None = None
    _in_head = False
    _head_size = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as the server has it
        """Wait for the first head."""
        super().connection_made(transport)
        self._wait_for_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._head_came()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read on; what came together with the beginning of a head does not count."""
        self._head_size += len(data)
        super().data_received(data)
        if self._in_head and self._head_size > MAX_HEAD_BYTES:
            self.transport.close()

    def on_message_begin(self) -> None:
        """Count from here."""
        super().on_message_begin()
        self._in_head, self._head_size = True, 0

    def on_headers_complete(self) -> None:
        """Wait no more: the head is here."""
        self._in_head = False
        self._head_came()
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """Wait for the next head, unless it is here already; what is left of a body nobody read counts as waiting."""
        super().on_response_complete()
        if self.timeout_keep_alive_task is not None:
            self._wait_for_head()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, in the form of every other refusal."""
        refusal = RequestRefusedError("malformed-request", msg)
        body = msgspec.json.encode(document(refusal, Call(str(uuid_utils.uuid7()), "")))
        told = {b"content-type": MEDIA_TYPE.encode(), b"content-length": b"%d" % len(body), b"connection": b"close"}
        lines = [b"HTTP/1.1 400 Bad Request", *(b": ".join(field) for field in ({**ALWAYS} | told).items()), b"", body]
        self.transport.write(b"\r\n".join(lines))
        self.transport.close()

    def _wait_for_head(self) -> None:
        self._head_came()
        self._head_timer = self.loop.call_later(HEAD_SECONDS, self.transport.close)

    def _head_came(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
