"""The service as it is, but for its answer to a new quote: that goes to the file ``committed`` and never to the client.

What a crash between commit and answer looks like from outside, for as long as a test needs to bring it about.
"""

import asyncio
import os
from pathlib import Path

import uvicorn
from litestar.enums import ScopeType
from litestar.types import Message, Receive, Scope, Send

from cotterline.main import create_app
from cotterline.settings import from_environment

SETTINGS = from_environment(os.environ)
SERVICE = create_app(SETTINGS)
COMMITTED = Path("committed")


async def mute(scope: Scope, receive: Receive, send: Send) -> None:
    """Pass everything on, but hold back the answer to a POST once the application has given it."""

    async def hold(message: Message) -> None:
        if scope["type"] != ScopeType.HTTP or scope["method"] != "POST":
            await send(message)
        elif message["type"] == "http.response.body":
            COMMITTED.write_bytes(message["body"])  # noqa: ASYNC240 - nobody else waits for this process
            await asyncio.Event().wait()

    await SERVICE(scope, receive, hold)


if __name__ == "__main__":
    uvicorn.run(mute, host=SETTINGS.host, port=SETTINGS.port, lifespan="on", log_level="warning")
