"""Runs as they are told: to whoever reads one, and to whoever subscribed to those that have ended."""

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.events import EventType
from cotterline.bench.quote_run_life import WORKED, QuoteRunState
from cotterline.bench.quote_run_progress import Counted, QuoteRunProgress, lately, progress
from cotterline.store import events, quote_run_parts
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.quote_runs import BicycleForm, QuoteRunRow


class QuoteRun(msgspec.Struct, frozen=True, kw_only=True):
    """A run: bicycles that are quoted beside the calls.

    Attributes:
        id: names it.
        created_at: when it was made.
        reference: the shop's own words for it.
        bicycles_form: how bicycles come in.
        answers_form: how answers go out.
        derivation: whether every number says how it came about.
        state: where it stands.
        version: counts every change of it, from 1.
        received_bytes: taken in so far; an upload goes on from there.
        bicycles: that came in, in parts that are whole.
        quoted: bicycles that were quoted.
        refused: bicycles that could not be.
        parts: pieces of work so far.
        parts_done: those of them that are answered.
        progress: how far it has come.
        finished_at: when it was finished or cancelled.
        kept_until: until when its answers are kept, once it has ended.
        removed_at: when its bicycles and answers were removed.
    """

    id: UUID
    created_at: datetime
    reference: str | UnsetType = UNSET
    bicycles_form: BicycleForm
    answers_form: BicycleForm
    derivation: bool
    state: QuoteRunState
    version: int
    received_bytes: int
    bicycles: int
    quoted: int
    refused: int
    parts: int
    parts_done: int
    progress: QuoteRunProgress
    finished_at: datetime | UnsetType = UNSET
    kept_until: datetime | UnsetType = UNSET
    removed_at: datetime | UnsetType = UNSET


async def told(tx: ReadTransaction, run: QuoteRunRow, now: datetime) -> QuoteRun:
    """A run as it is told at an instant."""
    working = run.state in WORKED
    since = lately(now, run.worked_since)
    counted = Counted(
        now=now,
        received_all=run.received_all,
        bicycles=run.bicycles,
        answered=run.quoted + run.refused,
        worked_since=run.worked_since if working else None,
        answered_lately=await quote_run_parts.answered_since(tx, run.id, since) if working else 0,
    )
    own = {name: _known(getattr(run, name)) for name in QuoteRun.__struct_fields__ if name != "progress"}
    return QuoteRun(**own, progress=progress(counted))


async def tell(tx: WriteTransaction, type_: EventType, run: QuoteRunRow, now: datetime) -> None:
    """Keep that a run ended, which is now as in ``run``, and put it out to who wants to know."""
    await events.emit(tx, type_, "quote_run", run.id, run.version, now, await told(tx, run, now))


def _known(value: Any) -> Any:  # noqa: ANN401 - the value of any member
    return UNSET if value is None else value
