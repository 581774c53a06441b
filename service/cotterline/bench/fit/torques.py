"""What fasteners were drawn to, beside their usual ranges. The part's own sheet goes before every range."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import msgspec
from msgspec import UnsetType

from cotterline.bench.fit.practice import PRACTICE
from cotterline.bench.fit.report import TorqueReading
from cotterline.bench.fit.result import CheckState, FitCheck, FitQuestion, JudgedTorque
from cotterline.bench.parts_data import PARTS, TorqueSubject


class _Question(NamedTuple):
    name: FitQuestion
    what: str
    fasteners: tuple[TorqueSubject, ...]
    both_sides: bool


_QUESTIONS: Final = (
    _Question("crank_bolt_torque", "crank bolts", ("crank_bolt",), both_sides=True),
    _Question("unit_torque", "unit", ("cartridge_unit", "plastic_cup"), both_sides=False),
    _Question("ring_bolt_torque", "ring bolts", ("ring_bolt_alloy", "ring_bolt_steel"), both_sides=False),
    _Question("pedal_torque", "pedals", ("pedal",), both_sides=True),
)
_RANGES: Final = {row.subject: row for row in PARTS.torques}


def judged_torque(reading: TorqueReading) -> JudgedTorque:
    """One torque beside its range.

    >>> judged_torque(TorqueReading(fastener="crank_bolt", value=300, unit="in lb")).state
    'within'
    """
    row = _RANGES[reading.fastener]
    found = JudgedTorque(
        fastener=reading.fastener,
        side=reading.side,
        newton_metres=round(reading.newton_metres, 3),
        lowest=row.lowest,
        highest=row.highest,
        state="unknown",
    )
    if isinstance(row.lowest, UnsetType) or isinstance(row.highest, UnsetType):
        return found
    slack = PRACTICE.torque.rounded_nm
    under, over = reading.newton_metres < row.lowest - slack, reading.newton_metres > row.highest + slack
    return msgspec.structs.replace(found, state="under" if under else "over" if over else "within")


def torque_checks(torques: Sequence[JudgedTorque]) -> Iterator[FitCheck]:
    """What the torques come to, question by question."""
    for asked in _QUESTIONS:
        found = [item for item in torques if item.fastener in asked.fasteners]
        yield FitCheck(question=asked.name, state=_state(asked, found), words=_words(asked, found))


def _state(asked: _Question, found: Sequence[JudgedTorque]) -> CheckState:
    if any(item.state in {"under", "over"} for item in found):
        return "fail"
    within = [item for item in found if item.state == "within"]
    return "pass" if within and not _open_sides(asked, within) else "not_measured"


def _open_sides(asked: _Question, found: Sequence[JudgedTorque]) -> list[str]:
    """Sides of a fastener there are two of that nothing was said about."""
    if not asked.both_sides or any(isinstance(item.side, UnsetType) for item in found):
        return []
    return [side for side in ("drive", "non_drive") if side not in {item.side for item in found}]


def _words(asked: _Question, found: Sequence[JudgedTorque]) -> str:
    if not found:
        return f"Not measured: the torque of the {asked.what}."
    said = [_one(item) for item in found]
    said += [f"Not measured: the {side.replace('_', '-')} side." for side in _open_sides(asked, found)]
    return " ".join(said)


def _one(item: JudgedTorque) -> str:
    name = item.fastener.replace("_", " ").capitalize()
    where = "" if isinstance(item.side, UnsetType) else f", {item.side.replace('_', '-')} side"
    drawn = f"{name}{where}: {item.newton_metres:g} N m"
    if isinstance(item.lowest, UnsetType):
        return f"{drawn}; no published range was found, so the part's own sheet decides."
    beside = {"under": ", too little", "over": ", too much"}.get(item.state, "")
    return f"{drawn}{beside}; usual are {item.lowest:g} to {item.highest:g} N m."
