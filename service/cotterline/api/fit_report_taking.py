"""Taking a fit report: judged by what was ordered and kept with all that follows from it, in one transaction."""

from collections.abc import Iterator, Sequence
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType
from uuid_utils.compat import uuid7

from cotterline.api import labour_times, workshops
from cotterline.api.caller import Caller
from cotterline.api.kept_quote import HeldQuote, Stamp
from cotterline.api.quote_changes import find
from cotterline.api.recheck_visit_changes import VisitChange
from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError, Fault
from cotterline.bench.fit.fitted import length_of
from cotterline.bench.fit.report import FitReportRequest, check_report
from cotterline.bench.fit.result import FitResult
from cotterline.bench.fit_reports import fit_result
from cotterline.bench.labour.book import LabourBook
from cotterline.bench.parts_list import PartsLine, measure
from cotterline.bench.quantity import refuse
from cotterline.bench.quotes import QuoteRequest
from cotterline.delivery import spindles
from cotterline.delivery.fit_report_events import tell
from cotterline.delivery.order_files import OrderFile
from cotterline.store import exchanges, fit_reports, quote_transitions, shared_offsets
from cotterline.store.audit import record
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.fit_reports import FitReportRow
from cotterline.store.labour_times import LabourTimeRow
from cotterline.store.shop_documents import SETTINGS


class _Parts(msgspec.Struct):
    lines: tuple[PartsLine, ...]


class _Listed(msgspec.Struct):
    """The one part of a result that says which spindles were to be had."""

    parts: _Parts | UnsetType = UNSET


async def take(
    tx: WriteTransaction, caller: Caller, stamp: Stamp, quote_id: UUID, report: FitReportRequest
) -> FitReportRow:
    """Judge and keep a report of the caller's quote, with the times it tells.

    Raises:
        CotterlineError: ``not-found``, ``wrong-state`` where nothing was ordered, and as :func:`fit_result` does.
    """
    held = await find(tx, quote_id)
    await hold_ordered(tx, held, stamp)
    workshop = await workshops.as_quoted(tx, held.revision)
    refuse([*check_report(report, ""), *_unknown_operations(report, workshop.book)])
    asked = msgspec.json.decode(held.revision.request, type=QuoteRequest)
    lengths = await known_lengths(tx, held, await spindles.of_quote(tx, quote_id))
    result = fit_result(asked, workshop, report, lengths, Trace())
    row = msgspec.structs.replace(row_of(held, report, lengths, result, stamp), actor=caller.key_id)
    await fit_reports.insert(tx, row)
    await _keep_times(tx, caller, row, report)
    await VisitChange(tx, quote_id, caller.key_id, stamp.now).follow(report, result.outcome)
    await _share(tx, result)
    await _record(tx, caller, row)
    await tell(tx, row)
    return row


def row_of(
    held: HeldQuote, report: FitReportRequest, lengths: Sequence[float], result: FitResult, stamp: Stamp
) -> FitReportRow:
    """A judged report as it is kept, but for who made it."""
    offset = result.offset or None
    return FitReportRow(
        id=stamp.id,
        created_at=stamp.now,
        actor="",
        quote_id=held.quote.id,
        quote_revision=held.quote.revision,
        visit=report.visit,
        outcome=result.outcome,
        spindle_length=length_of(report, lengths),
        crank=offset.crank or None if offset else None,
        gtin=offset.gtin or None if offset else None,
        rings=offset.rings if offset else None,
        taper=offset.taper if offset else None,
        offset_mm=offset.offset_mm if offset else None,
        offset_sd_mm=offset.sd_mm if offset else None,
        request=msgspec.json.encode(report),
        result=msgspec.json.encode(result),
    )


async def known_lengths(tx: ReadTransaction, held: HeldQuote, files: Sequence[OrderFile]) -> tuple[float, ...]:
    """The spindles a mechanic may have at hand for the tenant's quote, mm.

    Those that were ordered and neither given up nor sent back, those that came from the shop's own shelf since, and
    those of the parts list that nobody had to order.

    Args:
        tx: reads what came from the shelf.
        held: the quote.
        files: every order of it.
    """
    ordered = {line.parts_line for file in files for line in file.document.lines}
    shelf = [each.spindle_length for each in await exchanges.of_quote(tx, held.quote.id) if each.order_id is None]
    lengths = [*(each.length for each in spindles.at_hand(files)), *shelf, *not_ordered(held, ordered)]
    return tuple(sorted(set(lengths)))


def not_ordered(held: HeldQuote, ordered: set[int]) -> Iterator[float]:
    """Spindles of the parts list whose lines no order brings, mm.

    Args:
        held: the quote.
        ordered: numbers of the lines that orders bring.
    """
    listed = msgspec.json.decode(held.revision.result, type=_Listed).parts
    for line in () if isinstance(listed, UnsetType) else listed.lines:
        length = measure(line.properties, "spindle_length")
        if length is not None and line.number not in ordered:
            yield length


async def hold_ordered(tx: ReadTransaction, held: HeldQuote, stamp: Stamp) -> None:
    """Hold that there is something to fit.

    Raises:
        CotterlineError: ``wrong-state``.
    """
    state = held.state(stamp.now)
    done = {each.action for each in await quote_transitions.every(tx, held.quote.id)}
    if state not in {"ordered", "closed"} or "order" not in done:
        raise CotterlineError(
            "wrong-state", f"The quote is {state} and nothing was ordered for it: order its parts first."
        )


async def _share(tx: WriteTransaction, result: FitResult) -> None:
    """Give what the report says of its crank to all, where the shop wants that; of test data never."""
    wanted = (await SETTINGS.current(tx)).content.share_fit_reports and tx.tenant.mode == "live"
    if wanted and not isinstance(result.offset, UnsetType):
        await shared_offsets.insert(tx, result.offset)


def _unknown_operations(report: FitReportRequest, book: LabourBook) -> Iterator[Fault]:
    for index, time in enumerate(report.minutes):
        yield from labour_times.unknown(book, time, f"/minutes/{index}")


async def _keep_times(tx: WriteTransaction, caller: Caller, row: FitReportRow, report: FitReportRequest) -> None:
    for time in report.minutes:
        kept = LabourTimeRow(
            id=uuid7(),
            created_at=row.created_at,
            actor=row.actor,
            operation=time.operation,
            minutes=time.minutes,
            quote_id=row.quote_id,
        )
        await labour_times.keep(tx, caller, kept)


async def _record(tx: WriteTransaction, caller: Caller, row: FitReportRow) -> None:
    await record(
        tx,
        caller.tenant,
        at=row.created_at,
        actor=row.actor,
        action="fit_report.made",
        subject_kind="fit_report",
        subject_id=str(row.id),
        detail={"quote_id": str(row.quote_id), "visit": row.visit, "outcome": row.outcome},
    )
