"""How probable a reading is on one shell, step by step, for whoever asks where a weight comes from."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from cotterline.bench.derivation import Trace
from cotterline.bench.shell.evidence import (
    CrestCount,
    CupOutsideDiameter,
    Evidence,
    PitchGauge,
    ShellInsideDiameter,
    ShellWidth,
    kind,
)
from cotterline.bench.shell.families import SHELLS, Shell
from cotterline.bench.shell.likelihood import MODELS, likelihoods, looks_right
from cotterline.bench.shell.thread_form import Limits

_BENCH = "error model of the bench; parameters in the reference data"
_CUT = "ISO 965-1:2013, classes 6g and 6H, middle of the limits"


def explain(item: Evidence, index: int, shell: Shell, trace: Trace) -> None:
    """Note how item number ``index`` reads on ``shell``; kinds without arithmetic have nothing to note."""
    note = _NOTES.get(type(item))
    if note and trace.wanted:
        note(item, f"item {index}, {kind(item)}", shell, trace)


def _shell_width(item: ShellWidth, name: str, shell: Shell, trace: Trace) -> None:
    model = MODELS.shell_width
    trace.note(
        f"{name}: likelihood on a {shell.width:g} mm shell",
        "(1 - slip) * exp(-((reading - nominal) / sd) ** 2 / 2) / (sd * sqrt(2 * pi)) + slip / span",
        likelihoods(item)[SHELLS.index(shell)].total,
        "1/mm",
        _BENCH,
        slip=model.slip,
        reading=item.reading.mm,
        nominal=shell.width,
        sd=math.hypot(item.reading.sd, model.making_sd),
        span=item.span[1] - item.span[0],
        pi=math.pi,
    )


def _pitch_gauge(item: PitchGauge, name: str, shell: Shell, trace: Trace) -> None:
    model, family = MODELS.pitch_gauge, shell.at(item.side)
    if family.pitch is None:
        return
    length = item.thread_length.mm if item.thread_length else model.thread_length
    drift = trace.note(
        f"{name}: drift of the leaf over {family.designation}",
        "length / leaf - length / pitch",
        length / item.pitch_mm - length / family.pitch.mm,
        "pitches",
        "thread geometry: both count the same length",
        length=length,
        leaf=item.pitch_mm,
        pitch=family.pitch.mm,
    )
    leaves = sorted(model.pitches | {item.pitch_mm})
    trace.note(
        f"{name}: probability of choosing this leaf on {family.designation}",
        "(1 - slip) * exp(-(drift / judgement) ** 2 / 2) / all_leaves + slip / leaves",
        likelihoods(item)[SHELLS.index(shell)].total,
        "1",
        _BENCH,
        slip=model.slip,
        drift=drift,
        judgement=model.judgement,
        all_leaves=float(looks_right(np.array(leaves), family.pitch.mm, length).sum()),
        leaves=len(leaves),
    )


def _crest_count(item: CrestCount, name: str, shell: Shell, trace: Trace) -> None:
    trace.note(
        f"{name}: pitch counted",
        "length / (crests - 1)",
        item.length.mm / (item.crests - 1),
        "mm",
        "thread geometry: n crests enclose n - 1 pitches",
        length=item.length.mm,
        crests=item.crests,
    )
    pitch = shell.at(item.side).pitch
    if pitch is not None:
        trace.note(
            f"{name}: length expected on {shell.at(item.side).designation}",
            "pitch * (crests - 1)",
            pitch.mm * (item.crests - 1),
            "mm",
            "thread geometry: n crests enclose n - 1 pitches",
            pitch=pitch.mm,
            crests=item.crests,
        )


def _diameter(
    item: CupOutsideDiameter | ShellInsideDiameter, name: str, shell: Shell, trace: Trace, limits: Limits
) -> None:
    trace.note(
        f"{name}: reading less the middle of a new {shell.at(item.side).designation}",
        "reading - (high + low) / 2",
        item.reading.mm - limits.middle,
        "mm",
        _CUT,
        reading=item.reading.mm,
        high=limits.high,
        low=limits.low,
    )


def _cup(item: CupOutsideDiameter, name: str, shell: Shell, trace: Trace) -> None:
    _diameter(item, name, shell, trace, shell.at(item.side).cups[0])


def _inside(item: ShellInsideDiameter, name: str, shell: Shell, trace: Trace) -> None:
    _diameter(item, name, shell, trace, shell.at(item.side).bores[0])


_NOTES: dict[type, Callable[[Any, str, Shell, Trace], None]] = {
    ShellWidth: _shell_width,
    PitchGauge: _pitch_gauge,
    CrestCount: _crest_count,
    CupOutsideDiameter: _cup,
    ShellInsideDiameter: _inside,
}
