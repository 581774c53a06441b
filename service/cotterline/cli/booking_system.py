"""A booking system as small as can be, for the demonstration: it listens, checks signatures, keeps what it was told."""

import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Final, NamedTuple, Self

from cotterline.bench.errors import CotterlineError
from cotterline.delivery.signatures import verified

_HOST: Final = "127.0.0.1"
_LONGEST: Final = 262_144


class Told(NamedTuple):
    """One post as it came.

    Attributes:
        headers: by their names in small letters.
        body: the bytes.
        genuine: whether its signature holds.
    """

    headers: dict[str, str]
    body: bytes
    genuine: bool


class BookingSystem:
    """Listens on a free port of this machine for as long as it is wanted.

    Attributes:
        secret: what posts are signed with; to be set before the first one comes.
        told: everything that came, in the order it came.
    """

    def __init__(self) -> None:
        self.secret = ""
        self.told: list[Told] = []
        self._server = ThreadingHTTPServer((_HOST, 0), self._handler())
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://{_HOST}:{self._server.server_port}/events"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        keep = self._keep

        class Handler(BaseHTTPRequestHandler):
            """Takes a post; what is not signed as agreed is kept, but refused."""

            def do_POST(self) -> None:
                body = self.rfile.read(min(int(self.headers.get("Content-Length", "0")), _LONGEST))
                genuine = keep({name.lower(): value for name, value in self.headers.items()}, body)
                self.send_response(204 if genuine else 401)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing: the demonstration prints what is worth seeing."""

        return Handler

    def _keep(self, headers: dict[str, str], body: bytes) -> bool:
        try:
            verified([self.secret], headers, body, datetime.now(UTC))
        except CotterlineError:
            genuine = False
        else:
            genuine = True
        self.told.append(Told(headers, body, genuine))
        return genuine
