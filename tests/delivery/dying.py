"""The installed command as it is, but that it kills itself at one step of a delivery's or a run's life.

COTTERLINE_TEST_DIES names the step. So a test sees what a power cut at that very step leaves behind. Leases are short,
as a test does not wait a minute.
COTTERLINE_TEST_FILE_BYTES keeps each file from growing beyond so much, as a full disk would.
"""

import os
import resource
import signal
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any, NoReturn, TypeVar

from cotterline import cli
from cotterline.delivery import quote_run_changes, recording
from cotterline.delivery.outbox_worker import Worker
from cotterline.delivery.post import Poster
from cotterline.runs import part
from cotterline.runs.worker import RunWorker
from cotterline.store import deliveries, delivery_claims, quote_run_claims

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


def amid(work: Callable[..., Found]) -> Callable[..., Found]:
    """Die when the work is begun for the third time."""
    begun: list[None] = []

    def dying(*given: Any, **named: Any) -> Found:  # noqa: ANN401 - whatever the work takes
        begun.append(None)
        if len(begun) == 3:
            die()
        return work(*given, **named)

    return dying


STEPS: dict[str, tuple[object, str, Callable[[Any], Any]]] = {
    "written, not committed": (deliveries, "enqueue", after),
    "committed, not claimed": (delivery_claims, "claim", after),
    "claimed, not sent": (Poster, "post", before),
    "answered, not recorded": (recording, "record", before),
    "recorded, not committed": (recording, "record", after),
    "recorded": (Worker, "_record", after),
    "part claimed, not committed": (quote_run_claims, "claim", after),
    "part claimed": (RunWorker, "_claim_of", after),
    "amid a part": (part, "answer", amid),
    "part answered, not kept": (RunWorker, "_end", before),
    "part kept, not committed": (quote_run_claims, "end", after),
    "run told of, not committed": (quote_run_changes, "tell", after),
    "part kept": (RunWorker, "_end", after),
}
"""Each step: where its work is done, and whether the process dies before it or after."""


if __name__ == "__main__":
    assert Worker.__init__.__kwdefaults__
    assert RunWorker.__init__.__kwdefaults__
    Worker.__init__.__kwdefaults__["lease"] = RunWorker.__init__.__kwdefaults__["lease"] = LEASE
    if most := int(os.environ.pop("COTTERLINE_TEST_FILE_BYTES", "0")):
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    step = os.environ.pop("COTTERLINE_TEST_DIES", "")
    if step:
        owner, name, dying = STEPS[step]
        setattr(owner, name, dying(getattr(owner, name)))
    cli.main()
