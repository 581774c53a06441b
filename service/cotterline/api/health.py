"""Whether the service lives, and whether it can work."""

from collections.abc import Mapping
from typing import Literal
from uuid import UUID

import msgspec
from litestar import get
from litestar.di import NamedDependency

from cotterline.api.operation import Example
from cotterline.store import keys
from cotterline.store.database import Database
from cotterline.store.tenancy import SERVICE


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
async def ready(database: NamedDependency[Database]) -> Health:
    """Read from the database: send no requests here while this fails."""
    async with database.read(SERVICE) as tx:
        await keys.find(tx, UUID(int=0))
    return Health()
