"""The service on a real socket, with the server and the parser it is run with."""

import asyncio
import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from cotterline.api.edge import BODY_SECONDS, Edge
from cotterline.api.long_answers import LongAnswers
from cotterline.main import Server, server
from cotterline.settings import Settings
from cotterline.store.migrate import migrate
from tests import shops

START_SECONDS = 20


class Served(NamedTuple):
    """A running service: its address, a key for it, where its database is, and the server to be told to stop."""

    address: str
    key: str
    database_url: str
    server: Server

    @property
    def answers(self) -> LongAnswers:
        """The long answers it gives."""
        return self.server.answers


@contextlib.contextmanager
def serving(folder: Path, body_seconds: float = BODY_SECONDS, **settings: Any) -> Iterator[Served]:  # noqa: ANN401 - any setting
    """Serve from an SQLite file in ``folder`` on a free port."""
    url = f"sqlite:///{folder / 'served.sqlite3'}"
    asyncio.run(migrate(url))
    key = asyncio.run(shops.add(url)).a.key
    with serving_from(url, key, body_seconds, **settings) as served:
        yield served


@contextlib.contextmanager
def serving_from(url: str, key: str, body_seconds: float = BODY_SECONDS, **settings: Any) -> Iterator[Served]:  # noqa: ANN401 - any setting
    """Serve from a database that is there already, on a free port."""
    running = server(Settings(database_url=url, port=1, **settings))
    running.config.port = 0  # any free one
    assert isinstance(running.config.app, Edge)
    running.config.app.body_seconds = body_seconds
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    try:
        deadline = time.monotonic() + START_SECONDS
        while not running.started:
            if not thread.is_alive() or time.monotonic() > deadline:
                raise RuntimeError("the server did not start")
            time.sleep(0.01)
        port = running.servers[0].sockets[0].getsockname()[1]
        yield Served(f"http://127.0.0.1:{port}", key, url, running)
    finally:
        running.should_exit = True
        thread.join(START_SECONDS)
