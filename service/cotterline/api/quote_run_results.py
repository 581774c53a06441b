"""The answers of a run, part by part or all in one stream that follows the work."""

import asyncio
from collections.abc import AsyncGenerator, Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Final, NamedTuple
from uuid import UUID

from litestar import Request, get
from litestar.di import NamedDependency
from litestar.params import PathParameter
from litestar.types import ASGIApp

from cotterline.api.bicycles.forms import CONTENT, MEDIA
from cotterline.api.bicycles.told import Summary, Teller, teller_of
from cotterline.api.caller import Caller, check_key
from cotterline.api.long_answers import LongAnswer, LongAnswers, Place, stopping
from cotterline.api.problems import Call, Problem, RequestRefusedError, call_of
from cotterline.api.quote_run_uploads import QuoteRunId, find
from cotterline.api.quote_runs import PATH
from cotterline.bench.errors import CotterlineError
from cotterline.store import quote_run_parts
from cotterline.store.database import Database
from cotterline.store.quote_run_inputs import unpacked_in_pieces
from cotterline.store.quote_runs import QuoteRunRow

LOOK_SECONDS: Final = 1.0
"""How often a part that is not done yet is looked for, at the least."""

FIRST_LOOK_SECONDS: Final = 0.05
"""After how long it is looked for first; each wait is twice the one before."""

AGAIN_SECONDS: Final = 5
"""When to come again for a part that was asked for too early."""

PartNumber = Annotated[
    int, PathParameter(ge=1, le=100_000_000, description="Which part of the run, counted from 1 as they came in.")
]


class Look(NamedTuple):
    """A run, and one part of it.

    Attributes:
        run: as it is now.
        answer: the part's answers, compressed; None while there are none.
    """

    run: QuoteRunRow
    answer: bytes | None


class PartReader:
    """Reads the answers of one run.

    Args:
        database: where they are kept.
        caller: to whom.
        run_id: the run.
    """

    def __init__(self, database: Database, caller: Caller, run_id: UUID) -> None:
        self._database, self._caller, self._run_id = database, caller, run_id

    async def look(self, number: int) -> Look:
        """Look for a part; the caller's key must still open the door.

        Raises:
            CotterlineError: ``not-found``: there is no such run, no such part will ever be, or its answers are gone.
            RequestRefusedError: ``unauthenticated``.
        """
        async with self._database.read(self._caller.tenant) as tx:
            await check_key(tx, self._caller, datetime.now(UTC))
            look = Look(await find(tx, self._run_id), await quote_run_parts.part_answer(tx, self._run_id, number))
        _check_kept(look, number)
        return look


def _check_kept(look: Look, number: int) -> None:
    run = look.run
    if run.state == "cancelled":
        raise CotterlineError("not-found", "The run was cancelled, and its answers were thrown away.")
    if run.state == "finished" and look.answer is None and number <= run.parts:
        raise CotterlineError("not-found", "The answers of this run were kept for some time, and are removed.")


def _is_without(run: QuoteRunRow, number: int) -> bool:
    """Whether a run has no such part and never will."""
    return run.received_all and number > run.parts


def _check_there(look: Look, number: int) -> None:
    """Refuse a part that is not there, or not yet.

    Raises:
        CotterlineError: ``not-found``: it will never be.
        RequestRefusedError: ``wrong-state``: come again.
    """
    run = look.run
    if _is_without(run, number):
        raise CotterlineError("not-found", f"The run has {run.parts} parts.")
    if look.answer is None:
        words = f"Part {number} is not answered yet; {run.parts_done} of {run.parts} that came in so far are."
        raise RequestRefusedError("wrong-state", words, headers={"Retry-After": str(AGAIN_SECONDS)})


class Part:
    """One part as it is sent.

    Args:
        look: the part.
        number: which it is.
        call: what asked for it.
    """

    def __init__(self, look: Look, number: int, call: Call) -> None:
        self._run, self._number, self._call = look.run, number, call
        self._answer = look.answer or b""
        self._teller = teller_of(look.run.answers_form, call)

    def headers(self) -> Mapping[str, str]:
        """The media type, and where the next part is if there is one or may be."""
        link = f'<{self._call.base_url}{PATH}/{self._run.id}/results/{self._number + 1}>; rel="next"'
        is_last = self._run.received_all and self._number == self._run.parts
        return {"Content-Type": MEDIA[self._run.answers_form]} | ({} if is_last else {"Link": link})

    async def pieces(self, place: Place) -> AsyncGenerator[bytes, None]:
        """The heading and every answer."""
        del place
        yield self._teller.heading()
        for piece in unpacked_in_pieces(self._answer):
            yield piece

    def broken(self, problem: Problem) -> None:
        """Nothing: a part is all there, or the connection breaks."""


class Results:
    """All answers of a run in one stream.

    Args:
        reader: of the run.
        look: at its first part.
        teller: of the run's form.
    """

    def __init__(self, reader: PartReader, look: Look, teller: Teller) -> None:
        self._reader, self._look, self._teller = reader, look, teller

    def headers(self) -> Mapping[str, str]:
        """The media type."""
        return {"Content-Type": MEDIA[self._look.run.answers_form]}

    async def pieces(self, place: Place) -> AsyncGenerator[bytes, None]:
        """The heading, every answer in order as it is there, and the summary."""
        yield self._teller.heading()
        number = 1
        while answer := await self._answer(number, place):
            for piece in unpacked_in_pieces(answer):
                yield piece
            number += 1
            self._look = await self._reader.look(number)
        yield self._teller.end(self._summary(complete=True))

    def broken(self, problem: Problem) -> bytes:
        """The summary, which says that this is not all, and why."""
        return self._teller.end(self._summary(complete=False, problem=problem))

    async def _answer(self, number: int, place: Place) -> bytes | None:
        """The answers of a part once they are there; None where the run is finished and has no such part."""
        clock, wait = asyncio.get_running_loop().time, FIRST_LOOK_SECONDS
        since = clock()
        while not place.ended:
            if self._look.answer or self._look.run.state == "finished":
                return self._look.answer
            if clock() - since >= place.quiet_seconds:
                words = f"The run is {self._look.run.state}, and nothing was answered for {place.quiet_seconds:g} s."
                raise RequestRefusedError("wrong-state", words)
            await place.wait(wait)
            wait = min(2 * wait, LOOK_SECONDS)
            self._look = await self._reader.look(number)
        raise stopping()

    def _summary(self, *, complete: bool, **problem: Any) -> Summary:  # noqa: ANN401 - the one member there may be
        run = self._look.run
        answered = run.quoted + run.refused
        return Summary(bicycles=answered, quoted=run.quoted, refused=run.refused, complete=complete, **problem)


@get(
    PATH + "/{quote_run_id:uuid}/results",
    operation_id="readQuoteRunResults",
    tags=["quote-runs"],
    summary="Read all answers of a run as they come",
    opt={"scope": "read", "content": CONTENT},
)
async def every(
    request: Request[Any, Any, Any],
    quote_run_id: QuoteRunId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    long_answers: NamedDependency[LongAnswers],
) -> ASGIApp:
    """Send all answers in the order of the bicycles, in the form the run was made with, following it until its end.

    The last line is a summary as a stream has it: `complete` is true where the run is finished and these were all of
    its answers; where it is false the counts are the run's so far. What was cut short is read on by the part.
    """
    reader = PartReader(database, caller, quote_run_id)
    look = await reader.look(1)
    teller = teller_of(look.run.answers_form, call_of(request.scope))
    return LongAnswer(long_answers, caller.tenant, Results(reader, look, teller))


@get(
    PATH + "/{quote_run_id:uuid}/results/{part:int}",
    operation_id="readQuoteRunPart",
    tags=["quote-runs"],
    summary="Read the answers of one part of a run",
    opt={"scope": "read", "content": CONTENT, "headers": ["Link"], "refusals": (409,)},
)
async def read(  # noqa: PLR0913, PLR0917 - what it is handed, each by name
    request: Request[Any, Any, Any],
    quote_run_id: QuoteRunId,
    part: PartNumber,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    long_answers: NamedDependency[LongAnswers],
) -> ASGIApp:
    """Send the answers of up to 256 bicycles, the same bytes as in the stream of all; a table has its header each time.

    A part that is not answered yet is refused with 409, and `Retry-After` says when to come again. Parts may be read
    in any order, several at a time, and again.
    """
    look = await PartReader(database, caller, quote_run_id).look(part)
    _check_there(look, part)
    return LongAnswer(long_answers, caller.tenant, Part(look, part, call_of(request.scope)))
