"""What a shop may have of runs at once, and how long answers are kept: set by the operator."""

from datetime import timedelta

import msgspec

from cotterline.api.problems import RequestRefusedError
from cotterline.store import quote_runs
from cotterline.store.database import ReadTransaction


class QuoteRunLimits(msgspec.Struct, frozen=True, kw_only=True):
    """The limits of one application, for each shop, its test mode apart.

    Attributes:
        at_once: runs that have not ended.
        bicycles: of one run.
        kept_bytes: of bicycles of all runs whose answers are kept.
        kept: how long the answers of a run are kept once it is finished.
    """

    at_once: int
    bicycles: int
    kept_bytes: int
    kept: timedelta


def quota_reached(words: str) -> RequestRefusedError:
    """What is raised where a shop has as much as it may."""
    return RequestRefusedError("quota-reached", words)


async def check_room(tx: ReadTransaction, limits: QuoteRunLimits) -> None:
    """Refuse another run of the tenant's where it has as many as it may.

    Raises:
        RequestRefusedError: ``quota-reached``.
    """
    if await quote_runs.open_runs(tx) >= limits.at_once:
        raise quota_reached(f"{limits.at_once} runs of this shop have not ended yet, and no more may be open at once.")
