"""The bicycles of a run as they come in: cut into parts and kept piece by piece, so that an upload can go on."""

import asyncio
import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

from litestar import Request, Response, patch
from litestar.di import NamedDependency
from litestar.params import PathParameter

from cotterline.api import examples
from cotterline.api.bicycles.bike import UnreadableError
from cotterline.api.bicycles.parts import Cutter
from cotterline.api.body import content_kind
from cotterline.api.caller import Caller
from cotterline.api.drafts import PARTIAL_UPLOAD, UPLOAD_COMPLETE, UPLOAD_OFFSET
from cotterline.api.problems import RequestRefusedError
from cotterline.api.quote_run_limits import QuoteRunLimits, quota_reached
from cotterline.bench.errors import CotterlineError
from cotterline.delivery import quote_run_changes
from cotterline.delivery.quote_run_changes import At
from cotterline.store import quote_run_inputs, quote_runs
from cotterline.store.database import Database, ReadTransaction
from cotterline.store.quote_run_inputs import LeftOver
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tenancy import Tenant

PIECE: Final = 1024 * 1024
"""Bytes that are cut and kept together: enough for some parts, and little enough to hold."""

OFFSET_PATTERN: Final = r"^(0|[1-9][0-9]{0,14})(?![\s\S])"
"""An Integer that counts (RFC 9651, section 3.3.1)."""

_COMPLETE_PATTERN: Final = r"^\?[01](?![\s\S])"
"""A Boolean (RFC 9651, section 3.3.6)."""

QuoteRunId = Annotated[UUID, PathParameter(description="The run's id.")]


async def find(tx: ReadTransaction, run_id: UUID) -> QuoteRunRow:
    """The tenant's run.

    Raises:
        CotterlineError: ``not-found``.
    """
    found = await quote_runs.get(tx, run_id)
    if found is None:
        raise CotterlineError("not-found", "There is no such run.")
    return found


class Upload:
    """Takes in the bicycles of one run.

    Args:
        database: where the run is kept.
        tenant: whose it is.
        run_id: the run.
        limits: what the tenant may have.
    """

    def __init__(self, database: Database, tenant: Tenant, run_id: UUID, limits: QuoteRunLimits) -> None:
        self._database, self._tenant, self._run_id, self._limits = database, tenant, run_id, limits
        self._room = 0

    async def take(self, body: AsyncIterator[bytes], offset: int, *, complete: bool) -> QuoteRunRow:
        """Take in what comes, from an offset on, and return the run after it.

        Whatever has come before an error is kept, unless it is the error.

        Args:
            body: the bytes, as they come.
            offset: bytes of the upload before them.
            complete: whether nothing comes behind them.

        Raises:
            CotterlineError: ``not-found`` or ``wrong-state``.
            RequestRefusedError: ``mismatching-upload-offset``, ``quota-reached``, or ``invalid-table`` where this is
                no upload of bicycles.
        """
        run, cutter = await self._begun(offset)
        held = bytearray()
        try:
            async for some in body:
                held += some
                if len(held) >= PIECE:
                    run = await self._keep(cutter, run, held, last=False)
        except RequestRefusedError:
            if held:  # the connection was lost: what has come may be all that ever comes by one connection
                await self._keep(cutter, run, held, last=False)
            raise
        return await self._keep(cutter, run, held, last=complete) if held or complete else run

    async def _begun(self, offset: int) -> tuple[QuoteRunRow, Cutter]:
        async with self._database.read(self._tenant) as tx:
            run = await find(tx, self._run_id)
            left = await quote_run_inputs.left_over(tx, self._run_id)
            kept = await quote_runs.kept_bytes(tx)
        self._check(run, offset)
        self._room = self._limits.kept_bytes - kept
        return run, Cutter(run.bicycles_form, left or LeftOver(b"", b""))

    async def _keep(self, cutter: Cutter, run: QuoteRunRow, held: bytearray, *, last: bool) -> QuoteRunRow:
        """Keep what is held, and hold it no longer."""
        piece = bytes(held)
        held.clear()
        try:
            intake = await asyncio.to_thread(cutter.take, piece, last=last)
        except UnreadableError as error:
            words = f"The upload cannot be read as bicycles: {error}. Nothing of this piece was kept."
            raise RequestRefusedError("invalid-table", words) from error
        if run.bicycles + sum(part.bicycles for part in intake.parts) > self._limits.bicycles:
            raise quota_reached(f"A run may have {self._limits.bicycles} bicycles; what came before the last is kept.")
        self._room -= len(piece)
        if self._room < 0:
            raise quota_reached(f"The runs of this shop may hold {self._limits.kept_bytes} bytes of bicycles at once.")
        at = At(datetime.now(UTC), self._limits.kept)
        async with self._database.write(self._tenant) as tx:
            kept = await quote_run_changes.take_in(tx, self._run_id, intake, run.received_bytes, at)
            found = kept or await find(tx, self._run_id)
        if kept is None:
            self._check(found, run.received_bytes)
        return found

    @staticmethod
    def _check(run: QuoteRunRow, offset: int) -> None:
        """Refuse what cannot follow on what the run has.

        Raises:
            CotterlineError: ``wrong-state``.
            RequestRefusedError: ``mismatching-upload-offset``.
        """
        if run.state != "receiving" or run.received_all:
            raise CotterlineError("wrong-state", f"The run is {run.state}; it takes bicycles only while receiving.")
        if offset != run.received_bytes:
            raise RequestRefusedError(
                "mismatching-upload-offset",
                f"This piece begins at {offset}, and the run has {run.received_bytes} bytes: go on from there.",
                headers={UPLOAD_OFFSET: str(run.received_bytes), UPLOAD_COMPLETE: "?0"},
            )


def _offset(request: Request[Any, Any, Any]) -> int:
    return int(_header(request, UPLOAD_OFFSET, OFFSET_PATTERN, "a whole number of bytes, such as 0", None))


def _complete(request: Request[Any, Any, Any]) -> bool:
    return _header(request, UPLOAD_COMPLETE, _COMPLETE_PATTERN, "?1 where this is the last piece, or ?0", "?0") == "?1"


def _header(request: Request[Any, Any, Any], name: str, pattern: str, words: str, unless: str | None) -> str:
    values = request.headers.getall(name.lower(), [] if unless is None else [unless])
    if len(values) != 1 or not re.match(pattern, values[0].strip(" \t")):
        raise RequestRefusedError("malformed-request", f"{name} must be {words}.")
    return values[0].strip(" \t")


_PIECE: Final = {
    "schema": {"type": "string"},
    "examples": {"line": {"summary": "The only bicycle", "value": examples.line("whole_job")}},
}


@patch(
    "/v1/quote-runs/{quote_run_id:uuid}/bicycles",
    status_code=204,
    operation_id="uploadBicycles",
    tags=["quote-runs"],
    summary="Send bicycles of a run, from where it has come to",
    request_max_body_size=None,
    opt={
        "scope": "quote",
        "streamed": True,
        "body": {PARTIAL_UPLOAD: _PIECE},
        "takes": [UPLOAD_OFFSET, UPLOAD_COMPLETE],
        "refusals": (409,),
        "headers": [UPLOAD_OFFSET, UPLOAD_COMPLETE],
    },
)
async def append(
    request: Request[Any, Any, Any],
    quote_run_id: QuoteRunId,
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    quote_run_limits: NamedDependency[QuoteRunLimits],
) -> Response[None]:
    """Take in a piece of the upload. It is kept as it comes: after a lost connection, go on from `received_bytes`.

    A piece may end in the middle of a bicycle. The last one says so with `Upload-Complete: ?1`, and may be empty.
    """
    content_kind(request, PARTIAL_UPLOAD)
    offset, complete = _offset(request), _complete(request)
    upload = Upload(database, caller.tenant, quote_run_id, quote_run_limits)
    run = await upload.take(request.stream(), offset, complete=complete)
    headers = {UPLOAD_OFFSET: str(run.received_bytes), UPLOAD_COMPLETE: "?1" if run.received_all else "?0"}
    return Response(None, status_code=204, headers=headers)
