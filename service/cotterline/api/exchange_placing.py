"""Exchanging a spindle that missed: the next one ordered, the old one sent back, the act recorded; all or nothing."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.api import order_changes
from cotterline.api.caller import Caller
from cotterline.api.fit_report_taking import known_lengths
from cotterline.api.fit_reports import there
from cotterline.api.order_changes import ChangedLine, ChangeRequest
from cotterline.api.order_drafts import Asked, Drafting, DraftOrder, Ground, ground_of, kept_result
from cotterline.api.order_placing import keep
from cotterline.api.quote_changes import QuoteChange, find
from cotterline.api.quote_requests import TransitionRequest
from cotterline.bench.errors import CotterlineError
from cotterline.bench.exchanges import ExchangeRequest, check_exchange, hold_measured, replacement
from cotterline.bench.fit.fitted import among
from cotterline.bench.fit.report import FitReportRequest
from cotterline.bench.fit.result import FitResult, NextSpindle
from cotterline.bench.order_ceiling import Bought
from cotterline.bench.order_needs import Needs, hold_allowed
from cotterline.bench.parts_list import PartsLine, measure
from cotterline.bench.quote_life import state_after
from cotterline.delivery import spindles
from cotterline.delivery.order_events import document_of
from cotterline.delivery.order_files import OrderFile
from cotterline.delivery.spindles import OrderedSpindle
from cotterline.store import exchanges, fit_reports, shops
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.exchanges import ExchangeRow
from cotterline.store.fit_reports import FitReportRow
from cotterline.store.orders import OrderRow

RETURN_NOTE = "The spindle was fitted and missed."
"""What a supplier is told of the one that comes back."""


class Exchanged(NamedTuple):
    """An exchange as it was made.

    Attributes:
        kept: the exchange.
        ordered: the order that brings the next spindle; None where it came from the shelf.
        replaced: the order that brought the one that missed, as it stands now; None where none did.
    """

    kept: ExchangeRow
    ordered: OrderRow | None
    replaced: OrderRow | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job whose spindle missed.

    Attributes:
        report: that says so.
        told: the report as it came from the stand.
        result: what it was judged to say.
        ground: what its orders go by.
        files: every order of it, held.
        lengths: of the spindles at hand, mm.
    """

    report: FitReportRow
    told: FitReportRequest
    result: FitResult
    ground: Ground
    files: tuple[OrderFile, ...]
    lengths: tuple[float, ...]

    @property
    def missed(self) -> OrderedSpindle | None:
        """What brought the spindle that missed: where more than one order did, one it can go back to."""
        brought = [each for each in spindles.every(self.files) if among(each.length, [self.report.spindle_length])]
        return max(brought, key=lambda each: each.left, default=None)

    def replacement(self, length: float) -> PartsLine:
        """The unit of that length, mm.

        Raises:
            CotterlineError: ``impossible-value`` where the report did not find it worth a try.
        """
        fitted = msgspec.structs.replace(self.told, spindle_length_mm=self.report.spindle_length)
        return replacement(self.ground.request, self.ground.workshop, fitted, self.lengths, length)


async def exchange(
    tx: WriteTransaction, caller: Caller, drafting: Drafting, report_id: UUID, asked: ExchangeRequest
) -> Exchanged:
    """Take another spindle for the one that a report of the caller's says has missed.

    Raises:
        CotterlineError: ``not-found``; ``wrong-state`` where the report or the quote does not call for it;
            ``measurement-missing`` where what was read is hard to believe; ``impossible-value`` where the length does
            not; and what placing an order raises.
    """
    check_exchange(asked)
    await shops.lock(tx)  # as for placing orders; and nobody else exchanges by the same report meanwhile
    job = await _job(tx, drafting.now, report_id)
    hold_measured(job.told, job.result)
    wanted = _length(job, asked)
    line = job.replacement(wanted)
    drafts = () if asked.from_stock else await _drafted(tx, drafting, job, asked, line)
    quote_id = job.ground.held.quote.id
    await QuoteChange(tx, caller, drafting.now).act(quote_id, "*", TransitionRequest(action="exchange"))
    placed = [await keep(tx, caller, drafting, draft) for draft in drafts]
    kept = ExchangeRow(
        fit_report_id=report_id,
        created_at=drafting.now,
        actor=caller.key_id,
        quote_id=quote_id,
        spindle_length=_brought(placed) or wanted,
        order_id=placed[0].id if placed else None,
    )
    if not await exchanges.insert(tx, kept):
        raise _already()
    return Exchanged(kept, placed[0] if placed else None, await _send_back(tx, caller, drafting.now, job.missed))


async def _job(tx: WriteTransaction, now: datetime, report_id: UUID) -> Job:
    """The job of a report that calls for another spindle.

    Raises:
        CotterlineError: ``not-found``, ``wrong-state`` or ``approval-missing``.
    """
    report = await there(tx, report_id)
    held = await find(tx, report.quote_id)
    state_after(held.state(now), "exchange")
    if report.id in {each.fit_report_id for each in await exchanges.of_quote(tx, held.quote.id)}:
        raise _already()
    if report.id != await fit_reports.newest_id(tx, held.quote.id):
        raise _wrong("A newer fit report of this quote is there: go by that one.")
    if report.outcome != "missed":
        raise _wrong("The job passed by this report, so its spindle stays.")
    ground = await ground_of(tx, held)
    files = await spindles.of_quote(tx, held.quote.id)
    return Job(
        report=report,
        told=msgspec.json.decode(report.request, type=FitReportRequest),
        result=msgspec.json.decode(report.result, type=FitResult),
        ground=ground,
        files=files,
        lengths=await known_lengths(tx, held, files),
    )


def _length(job: Job, asked: ExchangeRequest) -> float:
    """The length that is wanted, mm.

    Raises:
        CotterlineError: ``wrong-state`` where the report advises none, or one that is at hand.
    """
    advised = job.result.next_spindle
    if not isinstance(advised, NextSpindle):
        raise _wrong("By this report no other spindle is better: see what it says of a spacer, or measure again.")
    best = advised.option.spindle_length.to("mm").value
    length = best if isinstance(asked.spindle_length_mm, UnsetType) else asked.spindle_length_mm
    if among(length, job.lengths):
        raise _wrong(f"A spindle of {length:g} mm is at hand: fit that one and report again.")
    return length


def _brought(placed: Sequence[OrderRow]) -> float | None:
    """The length that the order brings, mm: another may stand in for the one that was wanted."""
    lines = (line for row in placed for line in document_of(row).lines)
    return next((measure(line.properties, "spindle_length") for line in lines), None)


async def _drafted(
    tx: ReadTransaction, drafting: Drafting, job: Job, asked: ExchangeRequest, line: PartsLine
) -> tuple[DraftOrder, ...]:
    """The order of the next spindle, in the place of the one that brought the last."""
    kept, ground, missed = kept_result(job.ground.held), job.ground, job.missed
    hold_allowed(kept, override=drafting.hold_override(kept, asked.order))
    number = missed.line.parts_line if missed else 1
    needs = Needs(
        lines=(msgspec.structs.replace(line, number=number),),
        options_after=number,
        quoted=kept.estimate.parts,
        p90=kept.estimate.money.p90,
    )
    how = Asked(
        asked.order,
        replaces=missed.file.row.id if missed else UNSET,
        revision=missed.file.document.revision + 1 if missed else 1,
        before=tuple(_bought(job.files, missed)),
    )
    return await drafting.orders(tx, ground, needs, how)


def _bought(files: Sequence[OrderFile], missed: OrderedSpindle | None) -> Iterator[Bought]:
    """What stays of the orders there are, at the price that was agreed last."""
    for file in files:
        prices = {each.line: each.unit_price for each in file.standing.lines}
        for line in file.document.lines:
            goes = missed is not None and (file.row.id, line.number) == (missed.file.row.id, missed.line.number)
            if not goes and file.left(line.number, "return"):
                price = prices[line.number] or line.unit_price
                yield Bought(msgspec.structs.replace(line, unit_price=price), file.row.supplier)


async def _send_back(
    tx: WriteTransaction, caller: Caller, now: datetime, missed: OrderedSpindle | None
) -> OrderRow | None:
    """Announce to its supplier that the spindle that missed comes back, unless that was done; gives its order."""
    if missed is None or not missed.left:
        return missed.file.row if missed else None
    back = ChangeRequest(changes=(ChangedLine(line=missed.line.number, change="return"),), note=RETURN_NOTE)
    return await order_changes.change(tx, missed.file.row.id, back, caller, now)


def _already() -> CotterlineError:
    return _wrong("The spindle of this report was exchanged already: fit the next one and report again.")


def _wrong(words: str) -> CotterlineError:
    return CotterlineError("wrong-state", words)
