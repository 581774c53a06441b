"""How long things took: recorded by a shop, so that its estimates come to fit its own pace."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
from litestar import Request, Response, get, post
from litestar.di import NamedDependency
from litestar.params import JSONBody
from msgspec import UNSET, UnsetType

from cotterline.api.caller import Caller
from cotterline.api.kept_answers import Once
from cotterline.api.kept_quote import Stamp
from cotterline.api.operation import EXAMPLE_ID, Example
from cotterline.api.paging import DEFAULT_LIMIT, Limit, Place, next_page
from cotterline.api.problems import call_of
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import Fault
from cotterline.bench.labour.book import DEFAULT_BOOK, LabourBook, OperationId
from cotterline.bench.labour.learning import LabourTime, Learning, learn
from cotterline.bench.quantity import refuse
from cotterline.store import cursor as places
from cotterline.store import labour_times, quotes
from cotterline.store.audit import record
from cotterline.store.database import Database, WriteTransaction
from cotterline.store.labour_times import LabourTimePage, LabourTimeRow
from cotterline.store.shop_documents import LABOUR_BOOK

_BODY = b'{"operation":"fixed_cup","minutes":14.5}'


class LabourTimeRequest(LabourTime, frozen=True, kw_only=True):
    """A time to be recorded.

    Attributes:
        operation: its id in the labour book.
        minutes: of doing it once, without what went wrong.
        quote_id: the quote it was done for.
    """

    quote_id: UUID | UnsetType = UNSET


class RecordedTime(msgspec.Struct, frozen=True, kw_only=True):
    """A time that was recorded.

    Attributes:
        id: names it.
        created_at: when it was recorded.
        by: id of the key it was recorded with.
        operation: its id in the labour book as that was then.
        minutes: it took.
        quote_id: the quote it was done for.
    """

    id: UUID
    created_at: datetime
    by: str
    operation: OperationId
    minutes: float
    quote_id: UUID | UnsetType = UNSET


class LabourTimeList(msgspec.Struct, frozen=True, kw_only=True):
    """Some times, newest first.

    Attributes:
        times: at most as many as asked for.
        next_cursor: where the next page begins; left out on the last page.
    """

    times: tuple[RecordedTime, ...]
    next_cursor: str | UnsetType = UNSET


class LearningList(msgspec.Struct, frozen=True, kw_only=True):
    """What the shop's own times say of its pace.

    Attributes:
        learned: one entry an operation, in the order of the labour book.
        assumptions: what is taken for granted.
    """

    learned: tuple[Learning, ...]
    assumptions: tuple[str, ...] = (
        "The spreads before anything is recorded are invented; the more times there are, the less they count.",
    )


_ROW = LabourTimeRow(
    id=UUID(EXAMPLE_ID),
    created_at=datetime(2024, 5, 1, 9, 30, tzinfo=UTC),
    actor=EXAMPLE_ID,
    operation="fixed_cup",
    minutes=14.5,
    quote_id=None,
)


def _told(row: LabourTimeRow) -> RecordedTime:
    return RecordedTime(
        id=row.id,
        created_at=row.created_at,
        by=row.actor,
        operation=row.operation,
        minutes=row.minutes,
        quote_id=row.quote_id or UNSET,
    )


def _listed(page: LabourTimePage) -> LabourTimeList:
    following = places.encode(page.following, "labour_times") if page.following else UNSET
    return LabourTimeList(times=tuple(map(_told, page.times)), next_cursor=following)


@post(
    "/v1/labour-times",
    status_code=201,
    operation_id="recordLabourTime",
    tags=["labour"],
    summary="Record how long something took",
    opt={
        "scope": "quote",
        "answer": RecordedTime,
        "takes": ["Idempotency-Key"],
        "examples": {"fixed-cup": Example("A fixed cup", lambda _: _told(_ROW), _BODY)},
        "headers": ["Idempotency-Replayed"],
    },
)
async def create(
    data: JSONBody[LabourTimeRequest],
    once: NamedDependency[Once],
    caller: NamedDependency[Caller],
    stamp: NamedDependency[Stamp],
) -> Response[bytes]:
    """Keep how long one operation took; the shop's estimates learn from it."""

    async def work(tx: WriteTransaction) -> Response[RecordedTime]:
        return Response(_told(await _recorded(tx, data, caller, stamp)))

    return await once.answer(work)


async def _recorded(tx: WriteTransaction, data: LabourTimeRequest, caller: Caller, stamp: Stamp) -> LabourTimeRow:
    faults = [*unknown((await LABOUR_BOOK.current(tx)).content, data, "")]
    if isinstance(data.quote_id, UUID) and await quotes.get(tx, data.quote_id) is None:
        faults.append(Fault("/quote_id", "no quote has this id"))
    refuse(faults)
    row = LabourTimeRow(
        id=stamp.id,
        created_at=stamp.now,
        actor=caller.key_id,
        operation=data.operation,
        minutes=data.minutes,
        quote_id=data.quote_id or None,
    )
    await keep(tx, caller, row)
    return row


def unknown(book: LabourBook, time: LabourTime, pointer: str) -> Iterator[Fault]:
    """Hold that the labour book has the operation that a time is of."""
    if time.operation not in book.operations:
        yield Fault(f"{pointer}/operation", f"the labour book has no operation {time.operation}")


async def keep(tx: WriteTransaction, caller: Caller, row: LabourTimeRow) -> None:
    """Keep one time as the caller's, with its line of the audit trail."""
    await labour_times.insert(tx, row)
    await record(
        tx,
        caller.tenant,
        at=row.created_at,
        actor=caller.key_id,
        action="labour_time.recorded",
        subject_kind="labour_time",
        subject_id=str(row.id),
        detail={"operation": row.operation, "minutes": row.minutes},
    )


@get(
    "/v1/labour-times",
    operation_id="listLabourTimes",
    tags=["labour"],
    summary="List recorded times, newest first",
    opt={
        "scope": "read",
        "examples": {"one": Example("One time", lambda: _listed(LabourTimePage((_ROW,), None)))},
        "headers": ["Link"],
    },
)
async def page(
    request: Request[Any, Any, Any],
    caller: NamedDependency[Caller],
    database: NamedDependency[Database],
    limit: Limit = DEFAULT_LIMIT,
    cursor: Place = None,
) -> Response[LabourTimeList]:
    """Give a page of the times the shop recorded."""
    after = places.decode(cursor, "labour_times") if cursor else None
    async with database.read(caller.tenant) as tx:
        found = _listed(await labour_times.page(tx, after, limit))
    address = f"{call_of(request.scope).base_url}/v1/labour-times"
    return Response(found, headers=next_page(address, found.next_cursor, limit=limit))


def _learning(book: LabourBook, times: list[LabourTime]) -> LearningList:
    return LearningList(learned=tuple(learn(book, times, Trace(wanted=False)).values()))


@get(
    "/v1/labour-book/learning",
    operation_id="readLearning",
    tags=["labour"],
    summary="What the shop's own times say",
    opt={
        "scope": "read",
        "examples": {"nothing": Example("Nothing was recorded", lambda: _learning(DEFAULT_BOOK, []))},
    },
)
async def learning(caller: NamedDependency[Caller], database: NamedDependency[Database]) -> LearningList:
    """Give, for each operation of the labour book, what was assumed, what was recorded and what is made of it."""
    async with database.read(caller.tenant) as tx:
        book = (await LABOUR_BOOK.current(tx)).content
        times = await labour_times.learned_from(tx)
    return _learning(book, [*times])
