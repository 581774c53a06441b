"""A server in a process of its own: ``python -m tests.benchmarks.served PORT APP DATABASE [PROFILE]``.

It is the service as it is run, with one route more that answers what the call for one bicycle answers, prepared
before; or an application with nothing around the same two routes. A file named for the profile is written at the end.
"""

import signal
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import uvicorn
from litestar import Litestar, post
from litestar.params import JSONBody

from cotterline import logs, main
from cotterline.api.connection import Connection
from cotterline.api.routes import ROUTES
from cotterline.bench.derivation import Trace
from cotterline.bench.quotes import QuoteRequest, QuoteResult, quote
from cotterline.settings import Settings
from cotterline.store.cipher import made_key
from tests.benchmarks import other_application, requests
from tests.benchmarks.sampling import Sampler

NO_LIMIT: Final = 1_000_000
"""Requests a minute and at once: so many that the limits are at work and never reached."""

PREPARED: Final[dict[str | None, QuoteResult]] = {}
"""The answer to each request of the load, by its reference."""


@post(requests.ECHO, status_code=200, opt={"scope": "quote"})
async def echo(data: JSONBody[QuoteRequest]) -> QuoteResult:
    """Answer what was prepared."""
    return PREPARED[data.reference or None]


@post(requests.SINGLE, status_code=200, sync_to_thread=False)
def single(data: QuoteRequest) -> QuoteResult:
    """Do the whole job for a workshop that has set nothing."""
    return quote(data, requests.WORKSHOP, Trace(wanted=False))


@post(requests.ECHO, status_code=200, sync_to_thread=False)
def bare_echo(data: QuoteRequest) -> QuoteResult:
    """Answer what was prepared."""
    return PREPARED[data.reference or None]


def service(settings: Settings) -> uvicorn.Server:
    """The service's own server, with the echo among its routes."""
    server = main.server(settings)
    handlers = main.application([*ROUTES, echo], lifespan=[main._running], request_max_body_size=1 << 20)
    server.config.app = main.equipped(handlers, settings)
    return server


def bare(settings: Settings) -> uvicorn.Server:
    """The same framework with nothing of the service around its handlers."""
    return _around(Litestar([single, bare_echo], openapi_config=None, logging_config=None), settings)


def other(settings: Settings) -> uvicorn.Server:
    """Another framework."""
    return _around(other_application.application(), settings)


def _around(app: Any, settings: Settings) -> uvicorn.Server:  # noqa: ANN401 - any ASGI application
    config = uvicorn.Config(
        app, port=settings.port, http=Connection, loop="uvloop", ws="none", log_config=None, access_log=False
    )
    return uvicorn.Server(config)


APPS: Final[Mapping[str, Callable[[Settings], uvicorn.Server]]] = {"service": service, "bare": bare, "other": other}


def serve(port: int, app: str, url: str, profile: str = "") -> None:
    """Serve until SIGTERM."""
    for request in requests.kept():
        PREPARED[request.reference or None] = quote(request, requests.WORKSHOP, Trace(wanted=False))
    settings = Settings(
        database_url=url,
        port=port,
        rate_per_minute=NO_LIMIT,
        rate_burst=NO_LIMIT,
        shop_rate_per_minute=NO_LIMIT,
        shop_rate_burst=NO_LIMIT,
        secret_keys=made_key(),
        worker="off",
    )
    logs.write_json(settings.log_level)
    signal.signal(signal.SIGTERM, lambda *_: None)  # the server raises it once more when it has ended
    server = APPS[app](settings)
    sampler = Sampler(lambda: server.started)
    if profile:
        sampler.start()
    server.run()
    if profile:
        sampler.stop()
        Path(profile).write_text("\n".join(sampler.told()), encoding="utf-8")


if __name__ == "__main__":
    serve(int(sys.argv[1]), *sys.argv[2:])
