"""What a customer agreed to, as lines to order: those of the approved parts list, and parts of the options chosen."""

from collections.abc import Sequence

import msgspec
from msgspec import UNSET, UnsetType

from cotterline.bench.derivation import Trace
from cotterline.bench.errors import CotterlineError
from cotterline.bench.estimates import MoneyRange
from cotterline.bench.labour.book import OptionId
from cotterline.bench.money import Money
from cotterline.bench.parts_list import PartsLine, PartsList, Quantity
from cotterline.bench.pricing.sourcing import SourcedLine
from cotterline.bench.quotes import Ordering, QuoteRequest, parts_regardless, quote
from cotterline.bench.workshop import Workshop


class KeptEstimate(msgspec.Struct, frozen=True, kw_only=True):
    """Of an estimate, what an order looks at; whatever else stands in it is passed over."""

    money: MoneyRange
    parts: tuple[SourcedLine, ...]


class KeptResult(msgspec.Struct, frozen=True, kw_only=True):
    """Of a kept result, what an order looks at; whatever else stands in it is passed over."""

    ordering: Ordering
    estimate: KeptEstimate
    parts: PartsList | UnsetType = UNSET


class Needs(msgspec.Struct, frozen=True, kw_only=True):
    """What has to be ordered, and what the customer was told it costs.

    Attributes:
        lines: to order. Parts of options are numbered on behind the last line of the parts list.
        options_after: number of the parts list's last line.
        quoted: the parts as the estimate counted them.
        p90: what suffices for the whole job with probability 0.9, by that estimate.
    """

    lines: tuple[PartsLine, ...]
    options_after: int
    quoted: tuple[SourcedLine, ...]
    p90: Money


def needed(
    kept: KeptResult,
    request: QuoteRequest,
    approved: Sequence[OptionId],
    workshop: Workshop,
    *,
    override: bool = False,
) -> Needs:
    """The lines to order of a quote that a customer agreed to.

    Args:
        kept: the result of the revision that was approved. Its own lines are ordered, unless a second spindle was
            chosen only when it was approved, or a person overrides what stands against it.
        request: of that revision.
        approved: the options agreed to.
        workshop: of now, with the settings of that revision.
        override: whether a person answers for ordering what may not be ordered.

    Raises:
        CotterlineError: ``order-not-allowed`` with what stands against it, or where there is nothing to order.
    """
    hold_allowed(kept, override=override)
    options = tuple(dict.fromkeys((*request.options, *approved)))
    chosen = msgspec.structs.replace(request, options=options)
    parts, estimate = kept.parts, kept.estimate
    if len(options) > len(request.options):
        result = quote(chosen, workshop, Trace(wanted=False))
        estimate = KeptEstimate(money=result.estimate.money, parts=result.estimate.parts)
        if "second_spindle" in options:
            parts = result.parts
    if isinstance(parts, UnsetType):
        if not override:
            raise _not_allowed(Ordering(allowed=False, reasons=("What was chosen besides leaves nothing to order.",)))
        parts = parts_regardless(chosen, workshop)
    last = max(line.number for line in parts.lines)
    return Needs(
        lines=(*(line for line in parts.lines if line.supply == "order"), *_of_options(options, last)),
        options_after=last,
        quoted=estimate.parts,
        p90=estimate.money.p90,
    )


def hold_allowed(kept: KeptResult, *, override: bool) -> None:
    """Hold that nothing stands against an order, or that a person answers for it.

    Raises:
        CotterlineError: ``order-not-allowed`` with what stands against it.
    """
    if not (kept.ordering.allowed or override):
        raise _not_allowed(kept.ordering)


def _of_options(options: Sequence[OptionId], last: int) -> tuple[PartsLine, ...]:
    """What an option needs that no line of the parts list describes."""
    if "new_chain" not in options:
        return ()
    return (PartsLine(number=last + 1, role="chain", supply="order", name="Chain", quantity=Quantity(1)),)


def _not_allowed(ordering: Ordering) -> CotterlineError:
    return CotterlineError("order-not-allowed", " ".join(("The parts may not be ordered.", *ordering.reasons)))
