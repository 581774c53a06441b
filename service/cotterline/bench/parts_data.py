"""What goes with a square-taper unit, as the data file has it."""

from typing import Final, Literal

import msgspec

from cotterline.bench.data import load

TorqueSubject = Literal["crank_bolt", "cartridge_unit", "plastic_cup", "ring_bolt_alloy", "ring_bolt_steel", "pedal"]
BlockerCode = Literal["no-stock-unit", "length-not-on-record", "taper-assumed", "length-fouls"]


class Torque(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a fastener is drawn to.

    Attributes:
        subject: which fastener.
        lowest: N m; left out where no figure was found.
        highest: N m; as ``lowest``.
        note: what to know about it.
        source: who says so.
        grade: what that is worth.
    """

    subject: TorqueSubject
    lowest: float | msgspec.UnsetType = msgspec.UNSET
    highest: float | msgspec.UnsetType = msgspec.UNSET
    note: str
    source: str
    grade: str


class BoltRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The bolts that hold the arms."""

    name: str
    thread: str
    source: str
    grade: str


class SpacerRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A spacer under the unit's flange."""

    name: str
    source: str
    grade: str


class ConsumableRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something the bench uses up."""

    name: str
    purpose: str
    grade: str


class ToolRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A tool, its thread where it has one, and whether only cottered arms need it."""

    name: str
    thread: str = ""
    purpose: str
    only_for_cotters: bool
    grade: str


class PartsData(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything in the file."""

    crank_bolts: BoltRow
    spacer: SpacerRow
    consumables: tuple[ConsumableRow, ...]
    tools: tuple[ToolRow, ...]
    torques: tuple[Torque, ...]
    cautions: tuple[str, ...]
    cotter_cautions: tuple[str, ...]
    blockers: dict[BlockerCode, str]


PARTS: Final = load("parts", PartsData)
