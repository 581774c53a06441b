"""An invented run for the API document."""

from datetime import timedelta
from uuid import UUID

import msgspec

from cotterline.api.operation import EXAMPLE_ID
from cotterline.api.quotes import EXAMPLE_NOW
from cotterline.bench.quote_run_progress import QuoteRunProgress
from cotterline.delivery.quote_run_events import QuoteRun


def example_new_run(_: object = None) -> QuoteRun:
    """A run that was just made, of a table to be answered by JSON lines."""
    return QuoteRun(
        id=UUID(EXAMPLE_ID),
        created_at=EXAMPLE_NOW,
        reference="spring 2024",
        bicycles_form="csv",
        answers_form="json_lines",
        derivation=False,
        state="receiving",
        version=1,
        received_bytes=0,
        bicycles=0,
        quoted=0,
        refused=0,
        parts=0,
        parts_done=0,
        progress=QuoteRunProgress(),
    )


def example_run() -> QuoteRun:
    """The same once it is finished: a whole season's bicycles."""
    ended = EXAMPLE_NOW + timedelta(minutes=9)
    return msgspec.structs.replace(
        example_new_run(),
        state="finished",
        version=262,
        received_bytes=5_812_330,
        bicycles=60_000,
        quoted=59_988,
        refused=12,
        parts=235,
        parts_done=235,
        progress=QuoteRunProgress(percent=100.0),
        finished_at=ended,
        kept_until=ended + timedelta(days=7),
    )


def example_cancelled_run() -> QuoteRun:
    """The same once it was given up before any bicycle came."""
    ended = EXAMPLE_NOW + timedelta(days=7)
    return msgspec.structs.replace(example_new_run(), state="cancelled", version=2, finished_at=ended, kept_until=ended)
