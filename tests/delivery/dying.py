"""The installed command as it is, but that it kills itself at one step of a delivery's life.

COTTERLINE_TEST_DIES names the step. So a test sees what a power cut at that very step leaves behind. Leases are short,
as a test does not wait a minute.
"""

import os
import signal
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any, NoReturn, TypeVar

from cotterline import cli
from cotterline.delivery import recording
from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.store import deliveries, delivery_claims

LEASE = timedelta(seconds=3)
Found = TypeVar("Found")
Work = Callable[..., Awaitable[Found]]


def die() -> NoReturn:
    """End without any chance to tidy up."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("nobody survives this")


def before(_work: Work[Found]) -> Work[Found]:
    """Die instead."""

    async def dying(*_: Any, **__: Any) -> Found:  # noqa: ANN401 - whatever the work takes
        die()

    return dying


def after(work: Work[Found]) -> Work[Found]:
    """Die when the work is done and had anything to do."""

    async def dying(*given: Any, **named: Any) -> Found:  # noqa: ANN401 - whatever the work takes
        found = await work(*given, **named)
        if found != []:
            die()
        return found

    return dying


STEPS: dict[str, tuple[object, str, Callable[[Work[Any]], Work[Any]]]] = {
    "written, not committed": (deliveries, "enqueue", after),
    "committed, not claimed": (delivery_claims, "claim", after),
    "claimed, not sent": (Poster, "post", before),
    "answered, not recorded": (recording, "record", before),
    "recorded, not committed": (recording, "record", after),
    "recorded": (Worker, "_record", after),
}
"""Each step: where its work is done, and whether the process dies before it or after."""


if __name__ == "__main__":
    assert Worker.__init__.__kwdefaults__
    Worker.__init__.__kwdefaults__["lease"] = LEASE
    step = os.environ.pop("COTTERLINE_TEST_DIES", "")
    if step:
        owner, name, dying = STEPS[step]
        setattr(owner, name, dying(getattr(owner, name)))
    cli.main()
