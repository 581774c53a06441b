"""A run of one body, for who prefers not to wait for a stream: made, filled and answered in one call."""

from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from litestar import Request, Response

from cotterline.api.kept_quote import Stamp
from cotterline.api.preferences import APPLIED, RESPOND_ASYNC
from cotterline.api.quote_run_uploads import Upload, find
from cotterline.api.quote_runs import Maker, QuoteRunRequest, tell_the_trail
from cotterline.delivery.quote_run_changes import At, act
from cotterline.delivery.quote_run_events import QuoteRun, told
from cotterline.store.database import Database


async def made_of(
    request: Request[Any, Any, Any], asked: QuoteRunRequest, stamp: Stamp, maker: Maker, database: Database
) -> Response[QuoteRun]:
    """Make a run of a request's body, and say where it is.

    Nobody but this call knows the run before it is answered, so one that cannot be filled is cancelled.
    """
    tenant = maker.caller.tenant
    async with database.write(tenant) as tx:
        row = await maker.make(tx, asked, stamp)
    try:
        await Upload(database, tenant, row.id, maker.limits).take(request.stream(), 0, complete=True)
    except Exception:
        await _cancel(row.id, maker, database)
        raise
    run = await _as_it_is(row.id, maker, database)
    return Response(run, status_code=202, headers={**maker.place(row), APPLIED: RESPOND_ASYNC})


async def _as_it_is(run_id: UUID, maker: Maker, database: Database) -> QuoteRun:
    async with database.read(maker.caller.tenant) as tx:
        return await told(tx, await find(tx, run_id), datetime.now(UTC))


async def _cancel(run_id: UUID, maker: Maker, database: Database) -> None:
    now = datetime.now(UTC)
    async with database.write(maker.caller.tenant) as tx:
        await act(tx, run_id, "cancel", At(now, maker.limits.kept))
        await tell_the_trail(tx, maker.caller, run_id, "quote_run.cancelled", now)
