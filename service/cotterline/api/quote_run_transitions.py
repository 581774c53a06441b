"""Transitions of runs: paused, resumed, cancelled, by the table of their life."""

from typing import Final

import msgspec
from litestar import Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from cotterline.api.caller import Caller
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import Example
from cotterline.api.quote_run_examples import example_new_run
from cotterline.api.quote_run_limits import QuoteRunLimits
from cotterline.api.quote_run_uploads import QuoteRunId
from cotterline.api.quote_runs import PATH, tell_the_trail
from cotterline.bench.errors import CotterlineError
from cotterline.bench.quote_run_life import LIFE, STATES, QuoteRunAct, QuoteRunAction, QuoteRunState
from cotterline.delivery.quote_run_changes import At, act
from cotterline.delivery.quote_run_events import QuoteRun, told
from cotterline.store.database import WriteTransaction

_DONE: Final = {"pause": "paused", "resume": "resumed", "cancel": "cancelled"}


class QuoteRunTransitionRequest(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be done with a run.

    Attributes:
        action: ``pause`` keeps everything and begins nothing more, ``resume`` goes on, ``cancel`` throws bicycles and
            answers away.
    """

    action: QuoteRunAction


class QuoteRunLife(msgspec.Struct, frozen=True, kw_only=True):
    """The life of a run.

    Attributes:
        states: every state; a run begins receiving.
        acts: what can be done, from which states, and what it leads to.
    """

    states: tuple[QuoteRunState, ...]
    acts: tuple[QuoteRunAct, ...]


def _paused(_: object) -> QuoteRun:
    return msgspec.structs.replace(example_new_run(), state="paused", version=2)


@post(
    PATH + "/{quote_run_id:uuid}/transitions",
    status_code=200,
    operation_id="actOnQuoteRun",
    tags=["quote-runs"],
    summary="Pause, resume or cancel a run",
    opt={
        "scope": "quote",
        "answer": QuoteRun,
        "takes": ["Idempotency-Key"],
        "refusals": (409,),
        "examples": {"pause": Example("Let others go first", _paused, b'{"action":"pause"}')},
        "headers": ["Idempotency-Replayed"],
    },
)
async def create(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    quote_run_id: QuoteRunId,
    data: JSONBody[QuoteRunTransitionRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
    quote_run_limits: NamedDependency[QuoteRunLimits],
) -> Response[bytes]:
    """Pause, resume or cancel a run, where its state allows it. What is being worked on is finished first.

    A run that is cancelled gives no more answers, and cannot be cancelled again.
    """

    async def work(tx: WriteTransaction) -> Response[QuoteRun]:
        row = await act(tx, quote_run_id, data.action, At(stamp.now, quote_run_limits.kept))
        if row is None:
            raise CotterlineError("not-found", "There is no such run.")
        await tell_the_trail(tx, caller, row.id, f"quote_run.{_DONE[data.action]}", stamp.now)
        return Response(await told(tx, row, stamp.now))

    return await once.answer(work)


def _life() -> QuoteRunLife:
    return QuoteRunLife(states=STATES, acts=tuple(LIFE))


@get(
    "/v1/reference/quote-run-life",
    operation_id="readQuoteRunLife",
    tags=["reference"],
    summary="What can be done with a run in which state",
    opt={"scope": None, "examples": {"table": Example("The table", _life)}},
)
async def life() -> QuoteRunLife:
    """Give the table by which the service decides what can be done with a run."""
    return _life()
