"""The parts list of a chosen spindle: what to order, what may stand in for it, and what the bench needs beside it.

Dimensions are in mm whatever unit the rest of the answer is in: that is how the trade orders, and what a supplier
compares. A line maps one to one on a UBL 2.1 order line: quantity with its unit code, item name, and each property as
an additional item property with its value and range. Unit codes are those of UNECE Recommendation 20: C62 is one
piece, MMT a millimetre.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from cotterline.bench.caution import CAUTIONS, Caution
from cotterline.bench.derivation import Trace
from cotterline.bench.parts_data import PARTS, BlockerCode, ToolRow, Torque
from cotterline.bench.quantity import Length
from cotterline.bench.shell.families import FAMILIES, Family, FamilyId, Hand
from cotterline.bench.shop import NO_NUL
from cotterline.bench.spindle.clearance import Clearance
from cotterline.bench.spindle.placing import SeatedUnit
from cotterline.bench.spindle_options import SpindleOption, SpindleResult

Role = Literal["unit", "crank_bolts", "spacer", "chain", "consumable", "tool"]
Supply = Literal["order", "shop"]
PropertyName = Literal[
    "thread",
    "thread_outside_diameter",
    "thread_pitch",
    "drive_side_hand",
    "non_drive_side_hand",
    "shell_width",
    "spindle_length",
    "spindle_taper",
    "spindle_asymmetry",
    "thickness",
]
Millimetres = Annotated[float, Meta(ge=-10_000, le=10_000)]
PropertyWords = Annotated[str, Meta(min_length=1, max_length=200, pattern=NO_NUL)]
_RANGE_SOURCE = "half the change in length moves the chain line: plane geometry, no source needed"


class UnitThread(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The thread a unit must have; its non-drive side is right-handed in every family."""

    family: FamilyId
    designation: str
    outside_diameter_mm: float
    pitch_mm: float
    drive_hand: Hand


class Measure(msgspec.Struct, tag_field="kind", tag="measure", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A dimension of an item, and the span within which another may stand in for it; a span of one allows none."""

    name: PropertyName
    value: Millimetres
    lowest: Millimetres
    highest: Millimetres
    unit_code: Literal["MMT"] = "MMT"


class Text(msgspec.Struct, tag_field="kind", tag="text", frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A property in words, and the words that are accepted for it; its own alone allows nothing else."""

    name: PropertyName
    value: PropertyWords
    accepted: Annotated[tuple[PropertyWords, ...], Meta(max_length=50)]


ItemProperty = Measure | Text


def measure(properties: Sequence[ItemProperty], name: PropertyName) -> float | None:
    """The dimension of that name in mm, if it is stated.

    >>> measure([Measure(name="thickness", value=2, lowest=2, highest=2)], "thickness")
    2
    """
    return next((item.value for item in properties if isinstance(item, Measure) and item.name == name), None)


class Quantity(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How many of what is counted in ``unit_code``."""

    value: int
    unit_code: Literal["C62"] = "C62"


class PartsLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line.

    Attributes:
        number: counted from 1.
        role: what it is for.
        supply: ``order`` from a supplier, or from the ``shop``'s own bench.
        name: in words.
        quantity: how many.
        properties: what it must be, and what may stand in.
        returnable: whether it is ordered to be tried, and may come back.
        note: what to know about it.
    """

    number: int
    role: Role
    supply: Supply
    name: str
    quantity: Quantity
    properties: tuple[ItemProperty, ...] = ()
    returnable: bool = False
    note: str = ""


class PartsList(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything the job needs.

    Attributes:
        orderable: whether nothing stands against ordering the lines; the thread verdict is judged elsewhere.
        blockers: what stands against it.
        lines: in order of number.
        torques: what each fastener is drawn to.
        cautions: what can go wrong for people and frames.
    """

    orderable: bool
    blockers: tuple[Caution, ...]
    lines: tuple[PartsLine, ...]
    torques: tuple[Torque, ...]
    cautions: tuple[Caution, ...]


def unit_thread(family: Family) -> UnitThread:
    """The thread of a unit for a shell of ``family`` on both sides.

    Raises:
        ValueError: the family has no thread, so no unit screws into it.

    >>> unit_thread(FAMILIES["italian"]).drive_hand
    'right'
    """
    if family.pitch is None or family.drive_hand is None:
        raise ValueError(f"{family.id} has no thread")
    return UnitThread(
        family=family.id,
        designation=family.designation,
        outside_diameter_mm=family.diameter,
        pitch_mm=round(family.pitch.mm, 4),
        drive_hand=family.drive_hand,
    )


def parts_list(
    thread: UnitThread,
    result: SpindleResult,
    trace: Trace,
    chosen: Sequence[SpindleOption] = (),
    *,
    cottered: bool = False,
) -> PartsList:
    """What to order and have at hand for the chosen spindle.

    Args:
        thread: of the shell, as decided.
        result: the spindle options, in mm.
        trace: takes how far another length may stand in.
        chosen: options out of ``result`` to order; the first choice alone when empty. Of several, all but one go back.
        cottered: whether cottered arms come off, which needs tools and cautions of its own.
    """
    lengths = tuple(chosen) or (result.first,)
    blockers = tuple(Caution(code, PARTS.blockers[code]) for code in _blockers(thread, result, lengths))
    lines = [*_ordered(thread, result, lengths, trace), *_at_hand(cottered=cottered)]
    return PartsList(
        orderable=not blockers,
        blockers=blockers,
        lines=tuple(msgspec.structs.replace(line, number=number) for number, line in enumerate(lines, 1)),
        torques=PARTS.torques,
        cautions=tuple(CAUTIONS[code] for code in PARTS.cautions + (PARTS.cotter_cautions if cottered else ())),
    )


def tolerated_lengths(option: SpindleOption, tolerance: float, trace: Trace) -> tuple[float, float]:
    """Least and greatest spindle length in mm that may stand in for ``option``.

    Within them the predicted chain line stays within the tolerance of the target and every measured clearance stays
    clear. An option that itself misses or fouls lets nothing stand in.
    """
    length = option.spindle_length.value
    inward = min([tolerance + option.residual.value, *_room(option.clearances, inward=True)])
    outward = min([tolerance - option.residual.value, *_room(option.clearances, inward=False)])
    if inward < 0 or outward < 0:
        return length, length
    low, high = length - 2 * inward, length + 2 * outward
    trace.note("least length to stand in", "length - 2 * room", low, "mm", _RANGE_SOURCE, length=length, room=inward)
    trace.note(
        "greatest length to stand in", "length + 2 * room", high, "mm", _RANGE_SOURCE, length=length, room=outward
    )
    return round(low, 3), round(high, 3)


def _room(clearances: Sequence[Clearance], *, inward: bool) -> Iterator[float]:
    """How far the arms may still move before something fouls."""
    for item in clearances:
        if not isinstance(item.predicted, Length):
            continue
        if inward and isinstance(item.least, Length):
            yield item.predicted.value - item.least.value
        if not inward and isinstance(item.greatest, Length):
            yield item.greatest.value - item.predicted.value


def _blockers(thread: UnitThread, result: SpindleResult, lengths: Sequence[SpindleOption]) -> Iterator[BlockerCode]:
    if not FAMILIES[thread.family].has_stock_unit(result.unit.unit_width.value):
        yield "no-stock-unit"
    if result.ladder.origin == "general":
        yield "length-not-on-record"
    if result.unit.taper_from == "assumed":
        yield "taper-assumed"
    if any(option.fouls for option in lengths):
        yield "length-fouls"


def _ordered(
    thread: UnitThread, result: SpindleResult, lengths: Sequence[SpindleOption], trace: Trace
) -> Iterator[PartsLine]:
    for option in lengths:
        yield unit_line(thread, result.unit, option, result.tolerance.value, trace, alone=len(lengths) == 1)
    bolts = PARTS.crank_bolts
    yield PartsLine(
        number=0,
        role="crank_bolts",
        supply="order",
        name=bolts.name,
        quantity=Quantity(2),
        properties=(_text("thread", bolts.thread),),
        note=bolts.source,
    )
    if result.unit.spacer_mm > 0:
        yield PartsLine(
            number=0,
            role="spacer",
            supply="order",
            name=PARTS.spacer.name,
            quantity=Quantity(1),
            properties=(
                _exactly("thickness", result.unit.spacer_mm),
                _exactly("thread_outside_diameter", thread.outside_diameter_mm),
            ),
            note=f"Goes on the {result.unit.seat} side.",
        )


def unit_line(  # noqa: PLR0913 - the shell, the unit and its length, and how far that may miss
    thread: UnitThread, unit: SeatedUnit, option: SpindleOption, tolerance: float, trace: Trace, *, alone: bool
) -> PartsLine:
    """The line of a cartridge unit; it has no number yet.

    Args:
        thread: of the shell, as decided.
        unit: how it is made and seated, in mm.
        option: the spindle length, in mm.
        tolerance: how far the chain line may miss its target, in mm.
        trace: takes how far another length may stand in.
        alone: whether no other length is ordered to be tried beside it.
    """
    length = option.spindle_length.value
    # Of two lengths ordered to be tried, one standing in for the other would leave nothing to try.
    low, high = tolerated_lengths(option, tolerance, trace) if alone else (length, length)
    taper, width = unit.taper.upper(), unit.unit_width.value
    return PartsLine(
        number=0,
        role="unit",
        supply="order",
        name=f"Cartridge unit, {thread.designation}, shell {width:g} mm, square taper {taper}, spindle {length:g} mm",
        quantity=Quantity(1),
        properties=(
            _text("thread", thread.designation),
            _exactly("thread_outside_diameter", thread.outside_diameter_mm),
            _exactly("thread_pitch", thread.pitch_mm),
            _text("drive_side_hand", thread.drive_hand),
            _text("non_drive_side_hand", "right"),
            _exactly("shell_width", width),
            Measure(name="spindle_length", value=length, lowest=low, highest=high),
            _text("spindle_taper", unit.taper),
            _exactly("spindle_asymmetry", unit.asymmetry_mm),
        ),
        returnable=not alone,
    )


def _at_hand(*, cottered: bool) -> Iterator[PartsLine]:
    for row in PARTS.consumables:
        yield PartsLine(
            number=0, role="consumable", supply="shop", name=row.name, quantity=Quantity(1), note=row.purpose
        )
    for tool in PARTS.tools:
        if cottered or not tool.only_for_cotters:
            yield PartsLine(
                number=0,
                role="tool",
                supply="shop",
                name=tool.name,
                quantity=Quantity(1),
                properties=tuple(_tool_thread(tool)),
                note=tool.purpose,
            )


def _tool_thread(tool: ToolRow) -> Iterator[ItemProperty]:
    if tool.thread:
        yield _text("thread", tool.thread)


def _exactly(name: PropertyName, value: float) -> Measure:
    return Measure(name=name, value=value, lowest=value, highest=value)


def _text(name: PropertyName, value: str) -> Text:
    return Text(name=name, value=value, accepted=(value,))
