"""Whatever changes a run, with all that follows by itself, in the transaction of the change."""

from datetime import datetime, timedelta
from uuid import UUID

import msgspec

from cotterline.bench.quote_run_life import QuoteRunAction, state_after, state_by_itself
from cotterline.delivery.quote_run_events import tell
from cotterline.store import quote_run_claims, quote_run_parts, quote_runs
from cotterline.store.database import WriteTransaction
from cotterline.store.quote_run_claims import Answered, ClaimedPart
from cotterline.store.quote_run_parts import Intake
from cotterline.store.quote_runs import QuoteRunRow


class At(msgspec.Struct, frozen=True):
    """When a change happens.

    Attributes:
        now: the instant.
        kept: how long the answers of a run are kept once it is finished.
    """

    now: datetime
    kept: timedelta


async def take_in(tx: WriteTransaction, run_id: UUID, intake: Intake, offset: int, at: At) -> QuoteRunRow | None:
    """Keep a piece of an upload as :func:`quote_run_parts.take_in` does."""
    run = await quote_run_parts.take_in(tx, run_id, intake, offset, at.now)
    return run and await _settled(tx, run, at)


async def end_part(tx: WriteTransaction, claimed: ClaimedPart, answered: Answered, at: At) -> QuoteRunRow | None:
    """Keep the answers of a part as :func:`quote_run_claims.end` does."""
    run = await quote_run_claims.end(tx, claimed, answered, at.now)
    return run and await _settled(tx, run, at)


async def act(tx: WriteTransaction, run_id: UUID, action: QuoteRunAction, at: At) -> QuoteRunRow | None:
    """Do something to the tenant's run; return it as it is then, or None where there is none.

    A run that is cancelled keeps nothing: its bicycles and answers are removed by the next sweep.

    Raises:
        CotterlineError: ``wrong-state``, saying what is possible instead.
    """
    run = await quote_runs.hold(tx, run_id)
    if run is None:
        return None
    values: dict[str, object] = {"state": state_after(run.state, action), "changed_at": at.now}
    if action == "cancel":
        values |= {"finished_at": at.now, "kept_until": at.now}
    if action == "resume":
        values |= {"worked_since": at.now}
        await tx.announce(quote_runs.WORK)
    changed = await quote_runs.change(tx, run_id, values)
    if changed and action == "cancel":
        await tell(tx, "quote_run.cancelled", changed, at.now)
    return changed and await _settled(tx, changed, at)


async def _settled(tx: WriteTransaction, run: QuoteRunRow, at: At) -> QuoteRunRow:
    """The run once what follows by itself has followed."""
    answered = run.parts_done == run.parts
    state = state_by_itself(run.state, received=run.received_all, answered=answered)
    if state == run.state:
        return run
    ended = {"finished_at": at.now, "kept_until": at.now + at.kept} if state == "finished" else {}
    settled = await quote_runs.change(tx, run.id, {"state": state, **ended})
    if settled is None:
        raise LookupError("the run this transaction holds is gone")
    if state == "finished":
        await tell(tx, "quote_run.finished", settled, at.now)
    return settled
