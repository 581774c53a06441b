"""Whether the service lives, and whether it can work."""

from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec
from litestar import get
from litestar.di import NamedDependency
from msgspec import Meta

from cotterline.api.operation import Example
from cotterline.api.problems import RequestRefusedError
from cotterline.api.readiness import Readiness


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """A sign of health.

    Attributes:
        status: always ``ok``; anything else is a problem document.
    """

    status: Literal["ok"] = "ok"


class Ready(Health, frozen=True, kw_only=True):
    """A sign that requests can be served.

    Attributes:
        deliveries_due: posts to suppliers and subscriptions, over every shop, that are due and not under way.
        delivery_lag_seconds: how long the oldest of them has been due; where it grows, no worker keeps up.
    """

    deliveries_due: Annotated[int, Meta(ge=0)]
    delivery_lag_seconds: Annotated[float, Meta(ge=0)]


_WELL: Mapping[str, Example] = {"well": Example("All is well.", Health)}
_READY: Mapping[str, Example] = {
    "well": Example("All is well.", lambda: Ready(deliveries_due=0, delivery_lag_seconds=0.0))
}


@get(
    "/health/live",
    operation_id="checkAlive",
    tags=["service"],
    summary="Whether the process answers",
    opt={"scope": None, "examples": _WELL},
)
async def live() -> Health:
    """Answer, which is the whole check: restart the process if it does not."""
    return Health()


@get(
    "/health/ready",
    operation_id="checkReady",
    tags=["service"],
    summary="Whether requests can be served",
    opt={"scope": None, "examples": _READY},
)
async def ready(readiness: NamedDependency[Readiness]) -> Ready:
    """Ask the database whether it has this version's tables: send no requests here while this fails."""
    if readiness.leaving:
        raise RequestRefusedError("unavailable", "This process is about to stop.", headers={"Retry-After": "5"})
    found = await readiness.found()
    if found.outgrown:
        words = "A later version has changed the database so that this one cannot serve it: replace this one."
        raise RequestRefusedError("unavailable", words, headers={"Retry-After": "5"})
    if found.backlog is None:
        words = f"The database lacks {', '.join(found.lacking)} of this version's steps. Run `cotterline migrate`."
        raise RequestRefusedError("unavailable", words, headers={"Retry-After": "5"})
    return Ready(deliveries_due=found.backlog.count, delivery_lag_seconds=found.backlog.seconds)
