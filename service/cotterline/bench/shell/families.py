"""Every kind of bottom-bracket shell the bench tells apart, and the whole shells it holds possible.

A whole shell has a family on each side, because a worn side is sometimes cut over to the larger Italian thread alone,
and a nominal width. Facts and sources: ``data/families.toml``.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import msgspec

from cotterline.bench.data import load
from cotterline.bench.quantity import MM_PER_INCH, Side
from cotterline.bench.shell.thread_form import Form, Limits, cup_limits, shell_limits

FamilyId = Literal[
    "iso_english",
    "italian",
    "french",
    "swiss",
    "british_26",
    "whitworth_26",
    "oversize_26",
    "t47",
    "m48",
    "thompson_30",
    "thompson_33",
    "thompson_35",
    "thompson_38",
    "thompson_40",
    "thompson_45",
    "one_piece_51",
    "mid_41",
    "spanish_37",
    "press_37",
    "press_41",
    "press_42",
    "press_46",
]
Hand = Literal["left", "right"]
Stock = Literal["plentiful", "shrinking", "rare", "rarest", "none", "other"]
Grade = Literal["standard", "handbook", "published measurement", "common practice", "memory"]

BORE_TOLERANCE_MM = 0.05
"""Half the band a plain bore is made to. From memory."""


class Pitch(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Thread pitch as the trade writes it: threads per inch, or millimetres."""

    value: float
    unit: Literal["tpi", "mm"]

    @property
    def mm(self) -> float:
        """Distance from crest to crest in mm."""
        return MM_PER_INCH / self.value if self.unit == "tpi" else self.value


class Family(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, dict=True):
    """One family of shells: its thread or bore, its hands, its widths and whether units are still made for it."""

    id: FamilyId
    name: str
    designation: str
    threaded: bool
    diameters: tuple[float, ...]
    widths: dict[str, float]
    stock: Stock
    source: str
    grade: Grade
    stock_widths: tuple[float, ...] = ()
    form: Form = "iso"
    pitch: Pitch | None = None
    drive_hand: Hand | None = None
    remark: str = ""

    @property
    def diameter(self) -> float:
        """Nominal outside diameter of the thread, or the bore, in mm; the first where sources differ."""
        return self.diameters[0]

    def has_stock_unit(self, width: float) -> bool:
        """Whether a new unit that screws into this shell is still made for ``width`` mm."""
        return width in self.stock_widths

    @cached_property
    def cups(self) -> tuple[Limits, ...]:
        """Outside-diameter limits of a new cup, mm, one per nominal diameter."""
        if self.pitch is None:
            return tuple(Limits(bore + BORE_TOLERANCE_MM, bore - BORE_TOLERANCE_MM) for bore in self.diameters)
        return tuple(cup_limits(diameter, self.pitch.mm) for diameter in self.diameters)

    @cached_property
    def bores(self) -> tuple[Limits, ...]:
        """Limits of what a caliper reads inside the shell, mm, one per nominal diameter."""
        if self.pitch is None:
            return self.cups
        return tuple(shell_limits(diameter, self.pitch.mm, self.form) for diameter in self.diameters)

    def hand(self, side: Side) -> Hand | None:
        """Hand of the thread on ``side``; the non-drive cup is right-handed in every family."""
        if not self.threaded:
            return None
        return self.drive_hand if side == "drive" else "right"


@dataclass(frozen=True, slots=True)
class Shell:
    """A whole shell: family on each side, nominal width in mm, and its share before any rule or reading."""

    drive: Family
    non_drive: Family
    width: float
    share: float

    def at(self, side: Side) -> Family:
        """The family on ``side``."""
        return self.drive if side == "drive" else self.non_drive

    @property
    def original(self) -> Family:
        """The family the shell was made in, before any retap."""
        return self.non_drive if self.drive.id == _TABLE.retap.to else self.drive

    @property
    def mixed(self) -> bool:
        """Whether the two sides differ."""
        return self.drive is not self.non_drive


class _Retap(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    to: FamilyId
    source_families: tuple[FamilyId, ...] = msgspec.field(name="from")
    share_per_side: float
    source: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    family: tuple[Family, ...]
    retap: _Retap


_TABLE = load("families", _Table)
FAMILIES: dict[FamilyId, Family] = {family.id: family for family in _TABLE.family}


def _shells() -> tuple[Shell, ...]:
    other, share = FAMILIES[_TABLE.retap.to], _TABLE.retap.share_per_side
    shells: list[Shell] = []
    for family in FAMILIES.values():
        retappable = family.id in _TABLE.retap.source_families
        for text, weight in family.widths.items():
            width = float(text)
            shells.append(Shell(family, family, width, weight * (1 - 2 * share if retappable else 1)))
            if retappable:
                shells.append(Shell(other, family, width, weight * share))
                shells.append(Shell(family, other, width, weight * share))
    return tuple(shells)


SHELLS = _shells()
"""Every whole shell held possible, in a fixed order."""

BY_SIDES = {(shell.drive.id, shell.non_drive.id, shell.width): shell for shell in SHELLS}
"""The same by family on each side and nominal width."""
