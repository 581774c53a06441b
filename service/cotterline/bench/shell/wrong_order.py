"""What happens when a unit with one thread is offered to a shell with another, in words a mechanic uses."""

from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec

from cotterline.bench.derivation import Trace
from cotterline.bench.shell.families import FAMILIES, Family, FamilyId

Harm = Literal["frame", "order"]

NEAR_MM = 0.3
"""Diameters closer than this start into each other: cup and shell limits leave about as much (ISO 965-1:2013)."""

BINDING = 0.25
"""Drift between two threads, in pitches, at which the cup goes tight. Common practice, no source."""


class WrongOrder(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The cost of ordering for one family when the shell is of another.

    Attributes:
        if_the_shell_is: the family it would turn out to be.
        probability: of that, as far as measured.
        harm: what is at stake: the ``frame`` itself, or only the ``order``.
        turns_until_tight: turns by hand before the cup binds, where it starts at all.
        words: what happens at the bench.
    """

    if_the_shell_is: FamilyId
    probability: float
    harm: Harm
    words: str
    turns_until_tight: float | msgspec.UnsetType = msgspec.UNSET


class _Meeting(NamedTuple):
    harm: Harm
    words: str
    turns: float | None = None


def wrong_order(ordered: Family, actual: Family, probability: float, trace: Trace) -> WrongOrder:
    """What a unit cut for ``ordered`` does in a shell that is ``actual``."""
    meeting = _meeting(ordered.id, actual.id)
    if trace.wanted and meeting.turns is not None:
        _note_turns(ordered, actual, meeting.turns, trace)
    return WrongOrder(
        if_the_shell_is=actual.id,
        probability=probability,
        harm=meeting.harm,
        words=meeting.words,
        turns_until_tight=msgspec.UNSET if meeting.turns is None else round(meeting.turns, 1),
    )


@lru_cache(maxsize=len(FAMILIES) ** 2)
def _meeting(unit: FamilyId, shell: FamilyId) -> _Meeting:
    ordered, actual = FAMILIES[unit], FAMILIES[shell]
    excess = ordered.diameter - actual.diameter
    if ordered.pitch is None:
        return _Meeting("order", f"A unit for a {ordered.designation} does not go into this shell; it goes back.")
    if actual.pitch is None:
        return _Meeting("order", f"The shell has no thread: a {ordered.designation} unit finds nothing to hold.")
    if abs(excess) > NEAR_MM:
        return _Meeting("frame", _wrong_size(excess))
    if ordered.pitch.mm != actual.pitch.mm:
        turns = BINDING / abs(1 - ordered.pitch.mm / actual.pitch.mm)
        return _Meeting("frame", _wrong_pitch(ordered, actual, turns), turns)
    if ordered.drive_hand != actual.drive_hand:
        words = "The drive cup does not start: its thread runs the other way. Do not force it; the unit goes back."
        return _Meeting("order", words)
    words = "The thread is near enough to start and its form differs: it goes in rough or not at all. Do not force it."
    return _Meeting("frame", words)


def _wrong_size(excess: float) -> str:
    if excess > 0:
        return (
            f"The cup is {excess:.1f} mm too large and does not start. Forced in, it cuts the shell's own thread "
            "away, and the frame needs a frame builder."
        )
    return (
        f"The cup is {-excess:.1f} mm too small: it wobbles or drops through. Ridden like that it works loose "
        "and tears the shell's thread."
    )


def _note_turns(ordered: Family, actual: Family, turns: float, trace: Trace) -> None:
    if ordered.pitch is not None and actual.pitch is not None:
        trace.note(
            f"turns until the cup goes tight: {ordered.designation} in {actual.designation}",
            "binding / abs(1 - ordered_pitch / actual_pitch)",
            turns,
            "turns",
            "thread geometry (ISO 68-1:1998); binding at a quarter pitch: common practice, no source",
            binding=BINDING,
            ordered_pitch=ordered.pitch.mm,
            actual_pitch=actual.pitch.mm,
        )


def _wrong_pitch(ordered: Family, actual: Family, turns: float) -> str:
    starts = "The cup starts"
    if ordered.drive_hand != actual.drive_hand:
        starts = "The drive cup does not start, its thread runs the other way; the other cup starts"
    return (
        f"{starts} by hand and goes tight after about {turns:.0f} turns. Driven on with the tool it strips "
        "the shell, and the frame needs a frame builder."
    )
