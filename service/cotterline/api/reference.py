"""The facts behind a thread verdict, for whoever wants to look them up or check them."""

from collections.abc import Sequence
from typing import Annotated

import msgspec
from litestar import get
from litestar.params import QueryParameter
from msgspec import UNSET, UnsetType

from cotterline.api.operation import Example
from cotterline.bench.quantity import Length, Unit, in_unit
from cotterline.bench.shell.families import FAMILIES, Family, FamilyId, Grade, Hand, Pitch, Stock
from cotterline.bench.shell.thread_form import Limits


class Range(msgspec.Struct, frozen=True, kw_only=True):
    """Least and greatest of a dimension.

    Attributes:
        least: lower limit.
        greatest: upper limit.
    """

    least: Length
    greatest: Length


class ReferenceFamily(msgspec.Struct, frozen=True, kw_only=True):
    """One family of shells.

    Attributes:
        id: names the family in every answer.
        name: what the trade calls it.
        designation: as stamped or written on an order.
        threaded: whether the shell has a thread at all.
        pitch: of the thread.
        drive_hand: hand of the drive-side thread; the non-drive side is right-handed in every threaded family.
        diameters: nominal outside diameter of the thread, or the bore; several where sources differ.
        cup_outside_diameter: limits of a new cup, one range a diameter.
        shell_inside_diameter: limits of what a caliper reads in the shell, one range a diameter.
        shell_widths: nominal widths met, narrowest first.
        stock: how easily a new unit is had.
        source: where the facts come from.
        grade: how well they are founded.
        remark: what else to know.
    """

    id: FamilyId
    name: str
    designation: str
    threaded: bool
    pitch: Pitch | UnsetType = UNSET
    drive_hand: Hand | UnsetType = UNSET
    diameters: tuple[Length, ...]
    cup_outside_diameter: tuple[Range, ...]
    shell_inside_diameter: tuple[Range, ...]
    shell_widths: tuple[Length, ...]
    stock: Stock
    source: str
    grade: Grade
    remark: str = ""


class ThreadReference(msgspec.Struct, frozen=True, kw_only=True):
    """Every family the service tells apart.

    Attributes:
        families: threaded and plain, in a fixed order.
    """

    families: tuple[ReferenceFamily, ...]


def thread_reference(unit: Unit) -> ThreadReference:
    """Every family's facts with lengths in ``unit``."""
    return in_unit(_REFERENCE, unit)


def _family(family: Family) -> ReferenceFamily:
    return ReferenceFamily(
        id=family.id,
        name=family.name,
        designation=family.designation,
        threaded=family.threaded,
        pitch=family.pitch or UNSET,
        drive_hand=family.drive_hand or UNSET,
        diameters=tuple(map(Length.mm, family.diameters)),
        cup_outside_diameter=_ranges(family.cups),
        shell_inside_diameter=_ranges(family.bores),
        shell_widths=tuple(Length.mm(width) for width in sorted(map(float, family.widths))),
        stock=family.stock,
        source=family.source,
        grade=family.grade,
        remark=family.remark,
    )


def _ranges(limits: Sequence[Limits]) -> tuple[Range, ...]:
    return tuple(Range(least=Length.mm(each.low), greatest=Length.mm(each.high)) for each in limits)


_REFERENCE = ThreadReference(families=tuple(map(_family, FAMILIES.values())))


@get(
    "/v1/reference/threads",
    operation_id="readThreadReference",
    tags=["reference"],
    summary="Every thread family with its dimensions and sources",
    opt={"scope": None, "examples": {"mm": Example("Lengths in mm", lambda: thread_reference("mm"))}},
)
async def threads(
    units: Annotated[Unit, QueryParameter(description="Unit of every length in the answer.")] = "mm",
) -> ThreadReference:
    """List the families a verdict chooses among, threaded and plain, with dimensions, stock and source."""
    return thread_reference(units)
