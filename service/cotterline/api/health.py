"""Whether the service lives, and whether it can work."""

from collections.abc import Mapping
from typing import Literal

import msgspec
from litestar import get
from litestar.di import NamedDependency

from cotterline.api.operation import Example
from cotterline.api.problems import RequestRefusedError
from cotterline.api.readiness import Readiness


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """A sign of health.

    Attributes:
        status: always ``ok``; anything else is a problem document.
    """

    status: Literal["ok"] = "ok"


_WELL: Mapping[str, Example] = {"well": Example("All is well.", Health)}


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
    opt={"scope": None, "examples": _WELL},
)
async def ready(readiness: NamedDependency[Readiness]) -> Health:
    """Ask the database whether it has this version's tables: send no requests here while this fails."""
    lacking = await readiness.lacking()
    if lacking:
        words = f"The database lacks {', '.join(lacking)} of this version's steps. Run `cotterline migrate`."
        raise RequestRefusedError("unavailable", words, headers={"Retry-After": "5"})
    return Health()
