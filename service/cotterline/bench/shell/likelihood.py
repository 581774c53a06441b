"""How probable each observation is on each shell: the error models of the bench's tools.

Every model has a proper part and a slip: a share of readings that are plainly wrong and say nothing. Parameters and
their grades: ``data/likelihoods.toml``.
"""

import math
import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec

from cotterline.bench.data import load
from cotterline.bench.quantity import MM_PER_INCH, Reading
from cotterline.bench.shell.evidence import (
    Bore,
    CrestCount,
    CupFittings,
    CupHand,
    CupOutsideDiameter,
    Evidence,
    FixedCupFlats,
    OldCrank,
    Origin,
    PitchGauge,
    ShellInsideDiameter,
    ShellWidth,
    Stamp,
)
from cotterline.bench.shell.families import FAMILIES, SHELLS, Family, FamilyId, Shell
from cotterline.bench.shell.thread_form import Limits


class Likelihood(NamedTuple):
    """Probability (density) of an observation: by the shell being as supposed, and by a slip."""

    proper: float
    slip: float

    @property
    def total(self) -> float:
        """Both ways together."""
        return self.proper + self.slip


class _Width(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    making_sd: float
    most_over: float
    most_under: float


class _Inside(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    making_sd: float
    ruler_sd: float


class _Gauge(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    judgement: float
    thread_length: float
    leaves_tpi: tuple[float, ...]
    leaves_mm: tuple[float, ...]

    @property
    def pitches(self) -> set[float]:
        """Pitch of every leaf in mm."""
        return {MM_PER_INCH / leaf for leaf in self.leaves_tpi} | set(self.leaves_mm)


class _Count(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    miscount: float


class _Cup(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    making_sd: float
    ruler_sd: float
    wear: dict[str, float]


class _Hand(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    thompson_left_non_drive: float


class _Bore(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float


class _Stamp(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    near: float
    far_share: float
    legible: float


class _Flats(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    slip: float
    making_sd: float
    default: dict[str, float]
    french: dict[str, float]
    swiss: dict[str, float]


class _Models(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    shell_width: _Width
    pitch_gauge: _Gauge
    crest_count: _Count
    cup_outside_diameter: _Cup
    shell_inside_diameter: _Inside
    cup_hand: _Hand
    bore: _Bore
    stamp: _Stamp
    cup_fittings: dict[str, dict[str, float]]
    fixed_cup_flats: _Flats


class _StampRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    texts: tuple[str, ...]
    families: tuple[FamilyId, ...]
    doubt: float = 0.0
    remark: str = ""

    @property
    def diameter(self) -> float:
        """Nominal diameter the stamp stands for, mm."""
        return FAMILIES[self.families[0]].diameter


class _StampTable(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    stamp: tuple[_StampRow, ...]


MODELS = load("likelihoods", _Models)
_STAMP_ROWS = load("stamps", _StampTable).stamp
STAMPS = {text: row for row in _STAMP_ROWS for text in row.texts}
STAMPED = {row.families: row.texts[0] for row in reversed(_STAMP_ROWS)}
"""One stamp for each set of families that some stamp stands for."""


def normal(value: float, centre: float, sd: float) -> float:
    """Density of the normal distribution.

    >>> round(normal(0.0, 0.0, 1.0), 6)
    0.398942
    """
    return math.exp(-(((value - centre) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))


def read_stamp(text: str) -> _StampRow | None:
    """What a stamp stands for, if it is a known one.

    >>> read_stamp("1,37 × 24 TPI").families
    ('iso_english',)
    """
    plain = re.sub(r"[\s\"'″-]|mm", "", text.lower().replace(",", ".").replace("×", "x").replace("*", "x"))
    plain = re.sub(r"(?<=\d)(tpi|t|f)(?![\s\S])|\A(m(?=\d)|b\.?c\.?)", "", plain)
    plain = re.sub(r"(\.\d*?)0+(?=x|(?![\s\S]))", r"\1", plain).replace(".x", "x")
    return STAMPS.get(plain.removesuffix("."))


def readable(item: Evidence) -> bool:
    """Whether an item can be read at all; a stamp nobody knows says nothing."""
    return not isinstance(item, Stamp) or read_stamp(item.text) is not None


def _mixed(model: "_Width | _Inside | _Cup | _Flats | _Count | _Gauge", proper: float, span: float) -> Likelihood:
    return Likelihood((1 - model.slip) * proper, model.slip / span)


def _shell_width(item: ShellWidth, shell: Shell) -> Likelihood:
    model = MODELS.shell_width
    proper = normal(item.reading.mm, shell.width, math.hypot(item.reading.sd, model.making_sd))
    return _mixed(model, proper, item.span[1] - item.span[0])


def looks_right(leaf: float, pitch: float, length: float) -> float:
    """How well a leaf seems to sit on a thread over ``length`` mm: 1 where it does not drift at all."""
    drift = length / leaf - length / pitch
    return math.exp(-((drift / MODELS.pitch_gauge.judgement) ** 2) / 2)


def _pitch_gauge(item: PitchGauge, shell: Shell) -> Likelihood:
    model, pitch = MODELS.pitch_gauge, shell.at(item.side).pitch
    leaves = model.pitches | {item.pitch_mm}
    if pitch is None:
        return Likelihood(0.0, model.slip / len(leaves))
    length = item.thread_length.mm if item.thread_length else model.thread_length

    proper = looks_right(item.pitch_mm, pitch.mm, length) / math.fsum(
        looks_right(leaf, pitch.mm, length) for leaf in sorted(leaves)
    )
    return _mixed(model, proper, len(leaves))


def _crest_count(item: CrestCount, shell: Shell) -> Likelihood:
    model, pitch = MODELS.crest_count, shell.at(item.side).pitch
    pitches = item.crests - 1
    span = pitches * (item.pitch_span[1] - item.pitch_span[0])
    if pitch is None:
        return Likelihood(0.0, model.slip / span)
    counted = {0: 1 - 2 * model.miscount, -1: model.miscount, 1: model.miscount}
    proper = math.fsum(
        share * normal(item.length.mm, (pitches + error) * pitch.mm, item.length.sd) for error, share in counted.items()
    )
    return _mixed(model, proper, span)


def _spread(reading: float, limits: Limits, sd: float) -> float:
    """Density of a reading of a part made anywhere within its limits, evenly likely."""
    width = limits.high - limits.low
    return normal(reading, limits.middle, math.hypot(sd, width / math.sqrt(12)))


def _across(reading: Reading, model: _Cup | _Inside) -> float:
    """Standard deviation of a diameter read with that tool, mm."""
    setting = model.ruler_sd if reading.tool == "ruler" else 0.0
    return math.hypot(reading.sd, setting, model.making_sd)


def _cup_outside_diameter(item: CupOutsideDiameter, shell: Shell) -> Likelihood:
    model, family = MODELS.cup_outside_diameter, shell.at(item.side)
    sd = _across(item.reading, model)
    wear = model.wear if family.threaded else {"0": 1.0}
    proper = math.fsum(
        share * _spread(item.reading.mm + float(worn), limits, sd) / len(family.cups)
        for limits in family.cups
        for worn, share in wear.items()
    )
    return _mixed(model, proper, item.span[1] - item.span[0])


def _shell_inside_diameter(item: ShellInsideDiameter, shell: Shell) -> Likelihood:
    model, family = MODELS.shell_inside_diameter, shell.at(item.side)
    sd = _across(item.reading, model)
    proper = math.fsum(_spread(item.reading.mm, limits, sd) for limits in family.bores) / len(family.bores)
    return _mixed(model, proper, item.span[1] - item.span[0])


def _cup_hand(item: CupHand, shell: Shell) -> Likelihood:
    model, family = MODELS.cup_hand, shell.at(item.side)
    half_slip = model.slip / 2
    if family.threaded:
        return Likelihood((1 - model.slip) * (item.hand == family.hand(item.side)), half_slip)
    locknut = family.id.startswith("thompson") and item.side == "non_drive"
    left = model.thompson_left_non_drive if locknut else 0.0
    return Likelihood(left * (item.hand == "left"), half_slip)


def _bore(item: Bore, shell: Shell) -> Likelihood:
    model = MODELS.bore
    right = (item.look == "threaded") == shell.at(item.side).threaded
    return Likelihood((1 - model.slip) * right, model.slip / 2)


def _stamp(item: Stamp, shell: Shell) -> Likelihood:
    model, row = MODELS.stamp, read_stamp(item.text)
    if row is None:
        return Likelihood(1.0, 0.0)
    family = shell.at(item.side)
    slip = (model.slip + row.doubt) / len(STAMPED)
    if abs(family.diameter - row.diameter) > model.near:
        slip *= model.far_share
    return Likelihood((1 - model.slip - row.doubt) * (family.id in row.families), slip)


def _by_family(table: dict[str, dict[str, float]], family: Family) -> dict[str, float]:
    return table.get(family.id, table["default"])


def _cup_fittings(item: CupFittings, shell: Shell) -> Likelihood:
    return Likelihood(_by_family(MODELS.cup_fittings, shell.original)[item.raised], 0.0)


def _fixed_cup_flats(item: FixedCupFlats, shell: Shell) -> Likelihood:
    model = MODELS.fixed_cup_flats
    shares = {"french": model.french, "swiss": model.swiss}.get(shell.original.id, model.default)
    sd = math.hypot(item.reading.sd, model.making_sd)
    proper = math.fsum(share * normal(item.reading.mm, float(size), sd) for size, share in shares.items())
    return _mixed(model, proper, item.span[1] - item.span[0])


def _background(item: OldCrank | Origin, shell: Shell) -> Likelihood:  # noqa: ARG001 - one signature for every kind
    """Background enters by the prior, so it is as probable on one shell as on another."""
    return Likelihood(1.0, 0.0)


_MODEL_OF: dict[type, Callable[[Any, Shell], Likelihood]] = {
    ShellWidth: _shell_width,
    PitchGauge: _pitch_gauge,
    CrestCount: _crest_count,
    CupOutsideDiameter: _cup_outside_diameter,
    ShellInsideDiameter: _shell_inside_diameter,
    CupHand: _cup_hand,
    Bore: _bore,
    Stamp: _stamp,
    CupFittings: _cup_fittings,
    FixedCupFlats: _fixed_cup_flats,
    OldCrank: _background,
    Origin: _background,
}


@lru_cache(maxsize=4096)
def likelihoods(item: Evidence) -> tuple[Likelihood, ...]:
    """Likelihood of one observation on every shell in ``SHELLS``, in their order."""
    model = _MODEL_OF[type(item)]
    return tuple(model(item, shell) for shell in SHELLS)
