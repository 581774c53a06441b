"""Runs as an upload makes them, and what came of them."""

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import msgspec

from cotterline.api import examples
from cotterline.api.bicycles.parts import AT_THE_BEGINNING, Cutter
from cotterline.bench.workshop import Workshop
from cotterline.store.database import Database
from cotterline.store.quote_run_inputs import unpacked
from cotterline.store.quote_runs import QuoteRunRow
from cotterline.store.tenancy import Tenant
from tests.store.running import answer_of, get, made, take_in

JOB: dict[str, Any] = msgspec.json.decode(examples.read("whole_job"))
LINE = msgspec.json.encode(JOB) + b"\n"
PIECE = 300_000


def lines(bicycles: int, refused_after: int = 9) -> bytes:
    """Bicycles as JSON lines, each with a name of its own; of ten the last are refused, which takes no time."""
    named = [JOB | {"reference": f"hook {n}"} if 0 < n % 10 <= refused_after else {} for n in range(1, bicycles + 1)]
    return b"".join(msgspec.json.encode(bicycle) + b"\n" for bicycle in named)


async def uploaded(
    database: Database,
    tenant: Tenant,
    upload: bytes,
    *,
    workshop: Workshop | None = None,
    last: bool = True,
    **changed: Any,  # noqa: ANN401 -- any member of the run
) -> QuoteRunRow:
    """Make a run and take an upload in, piece by piece."""
    run = await made(database, tenant, workshop, **changed)
    left = AT_THE_BEGINNING
    for at in range(0, max(len(upload), 1), PIECE):
        ends = at + PIECE >= len(upload)
        intake = Cutter(run.bicycles_form, left).take(upload[at : at + PIECE], last=last and ends)
        assert await take_in(database, tenant, run.id, intake, at) is not None
        left = intake.left
    return await get(database, tenant, run.id)


async def answers(database: Database, tenant: Tenant, run_id: UUID) -> Sequence[bytes]:
    """The answers of each part that is done."""
    run = await get(database, tenant, run_id)
    found = [await answer_of(database, tenant, run_id, number) for number in range(1, run.parts + 1)]
    return [unpacked(answer) for answer in found if answer is not None]
