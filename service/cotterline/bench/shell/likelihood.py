"""How probable each observation is on each shell: the error models of the bench's tools.

Every model has a proper part and a slip: a share of readings that are plainly wrong and say nothing. Parameters and
their grades: ``data/likelihoods.toml``.
"""

import math
import re
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from itertools import product
from typing import Any, NamedTuple

import msgspec
import numpy as np

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
from cotterline.bench.shell.families import FAMILIES, Family, FamilyId
from cotterline.bench.shell.features import FAMILY_AT, FEATURES, WIDTHS, FeatureName, Numbers, Places, fixed
from cotterline.bench.shell.thread_form import Limits


class Chances(NamedTuple):
    """Probability (density) of an observation for each value of the feature it speaks of, as in :class:`Likelihood`."""

    feature: FeatureName
    proper: Numbers
    slip: Numbers

    @property
    def total(self) -> Numbers:
        """Both ways together."""
        return self.proper + self.slip


class Likelihood(NamedTuple):
    """Probability (density) of an observation on one shell: by the shell being as supposed, and by a slip."""

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


def normal(value: float, centre: Numbers, sd: Numbers | float) -> Numbers:
    """Density of the normal distribution.

    >>> normal(0.0, np.array([0.0, 1.0]), 1.0).round(6).tolist()
    [0.398942, 0.241971]
    """
    return np.exp(-(((value - centre) / sd) ** 2) / 2) / (sd * math.sqrt(2 * math.pi))


@lru_cache(maxsize=1024)
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


class _Sizes(NamedTuple):
    """Sizes that parts are made in, with the family each is of: many rows a family.

    Attributes:
        families: place of the family of each row.
        shares: how much of the family's parts are of that size; they sum to one in each family.
        middles: the size, mm, worn where it is worn.
        making_sds: standard deviation of the sizes within their limits, mm.
    """

    families: Places
    shares: Numbers
    middles: Numbers
    making_sds: Numbers

    def density(self, reading: float, sd: float) -> Numbers:
        """Density of a reading, good to ``sd`` mm, in each family; limits count as a spread that is evenly likely."""
        dense = self.shares * normal(reading, self.middles, np.hypot(sd, self.making_sds))
        of_family: Numbers = np.asarray(np.bincount(self.families, dense, len(FAMILIES)), dtype=np.float64)
        return of_family


def _sizes(rows: Iterable[tuple[FamilyId, float, float, float]]) -> _Sizes:
    ids, shares, middles, making_sds = zip(*rows, strict=True)
    families = np.array([FAMILY_AT[family] for family in ids])
    return _Sizes(families, fixed(shares), fixed(middles), fixed(making_sds))


def _of_parts(
    limits_of: Callable[[Family], tuple[Limits, ...]], wear_of: Callable[[Family], dict[str, float]]
) -> Iterator[tuple[FamilyId, float, float, float]]:
    for family in FAMILIES.values():
        for limits, (worn, share) in product(limits_of(family), wear_of(family).items()):
            spread = (limits.high - limits.low) / math.sqrt(12)
            yield family.id, share / len(limits_of(family)), limits.middle - float(worn), spread


def _of_flats() -> Iterator[tuple[FamilyId, float, float, float]]:
    model = MODELS.fixed_cup_flats
    known = {"french": model.french, "swiss": model.swiss}
    for family in FAMILIES:
        for size, share in known.get(family, model.default).items():
            yield family, share, float(size), 0.0


def _by_family(feature: FeatureName, proper: Callable[[Family], float], slip: Callable[[Family], float]) -> Chances:
    families = FAMILIES.values()
    return Chances(feature, fixed([proper(family) for family in families]), fixed([slip(f) for f in families]))


_UNWORN = {"0": 1.0}
_CUPS = _sizes(
    _of_parts(lambda family: family.cups, lambda f: MODELS.cup_outside_diameter.wear if f.threaded else _UNWORN)
)
_BORES = _sizes(_of_parts(lambda family: family.bores, lambda _: _UNWORN))
_FLATS = _sizes(_of_flats())
_WIDTHS = fixed(WIDTHS)
_THREADED = fixed([float(family.threaded) for family in FAMILIES.values()])
_PITCHES = fixed([family.pitch.mm if family.pitch else 1.0 for family in FAMILIES.values()])
"""Pitch of each family, mm; 1 where it has no thread, which counts for nothing beside ``_THREADED``."""

_MISCOUNTS = fixed([0, -1, 1])
_MISCOUNT_SHARES = fixed([1 - 2 * MODELS.crest_count.miscount, *[MODELS.crest_count.miscount] * 2])
_NOTHING = _by_family("original", lambda _: 1.0, lambda _: 0.0)


def _mixed(
    feature: FeatureName,
    model: "_Width | _Inside | _Cup | _Flats | _Count | _Gauge",
    proper: Numbers,
    span: float,
) -> Chances:
    return Chances(feature, (1 - model.slip) * proper, np.full(len(proper), model.slip / span))


def _shell_width(item: ShellWidth) -> Chances:
    model = MODELS.shell_width
    proper = normal(item.reading.mm, _WIDTHS, math.hypot(item.reading.sd, model.making_sd))
    return _mixed("width", model, proper, item.span[1] - item.span[0])


def looks_right(leaf: Numbers | float, pitch: Numbers | float, length: float) -> Numbers:
    """How well a leaf seems to sit on a thread over ``length`` mm: 1 where it does not drift at all."""
    drift = length / leaf - length / pitch
    return np.exp(-((drift / MODELS.pitch_gauge.judgement) ** 2) / 2)


def _pitch_gauge(item: PitchGauge) -> Chances:
    model = MODELS.pitch_gauge
    leaves = np.array(sorted(model.pitches | {item.pitch_mm}))
    length = item.thread_length.mm if item.thread_length else model.thread_length
    all_leaves = looks_right(leaves, _PITCHES[:, None], length).sum(axis=1)
    proper = _THREADED * looks_right(item.pitch_mm, _PITCHES, length) / all_leaves
    return _mixed(item.side, model, proper, len(leaves))


def _crest_count(item: CrestCount) -> Chances:
    model, pitches = MODELS.crest_count, item.crests - 1
    span = pitches * (item.pitch_span[1] - item.pitch_span[0])
    lengths = (pitches + _MISCOUNTS) * _PITCHES[:, None]
    proper = _THREADED * (normal(item.length.mm, lengths, item.length.sd) @ _MISCOUNT_SHARES)
    return _mixed(item.side, model, proper, span)


def _across(reading: Reading, model: _Cup | _Inside) -> float:
    """Standard deviation of a diameter read with that tool, mm."""
    setting = model.ruler_sd if reading.tool == "ruler" else 0.0
    return math.hypot(reading.sd, setting, model.making_sd)


def _cup_outside_diameter(item: CupOutsideDiameter) -> Chances:
    model = MODELS.cup_outside_diameter
    proper = _CUPS.density(item.reading.mm, _across(item.reading, model))
    return _mixed(item.side, model, proper, item.span[1] - item.span[0])


def _shell_inside_diameter(item: ShellInsideDiameter) -> Chances:
    model = MODELS.shell_inside_diameter
    proper = _BORES.density(item.reading.mm, _across(item.reading, model))
    return _mixed(item.side, model, proper, item.span[1] - item.span[0])


def _cup_hand(item: CupHand) -> Chances:
    model = MODELS.cup_hand

    def proper(family: Family) -> float:
        if family.threaded:
            return (1 - model.slip) * (item.hand == family.hand(item.side))
        locknut = family.id.startswith("thompson") and item.side == "non_drive"
        left = model.thompson_left_non_drive if locknut else 0.0
        return left * (item.hand == "left")

    return _by_family(item.side, proper, lambda _: model.slip / 2)


def _bore(item: Bore) -> Chances:
    slip = MODELS.bore.slip
    right = (item.look == "threaded") == (_THREADED == 1.0)
    return Chances(item.side, (1 - slip) * right, np.full(len(right), slip / 2))


def _stamp(item: Stamp) -> Chances:
    model, row = MODELS.stamp, read_stamp(item.text)
    if row is None:
        return _NOTHING

    def slip(family: Family) -> float:
        far = abs(family.diameter - row.diameter) > model.near
        return (model.slip + row.doubt) / len(STAMPED) * (model.far_share if far else 1.0)

    return _by_family(item.side, lambda family: (1 - model.slip - row.doubt) * (family.id in row.families), slip)


def _cup_fittings(item: CupFittings) -> Chances:
    table = MODELS.cup_fittings
    return _by_family("original", lambda family: table.get(family.id, table["default"])[item.raised], lambda _: 0.0)


def _fixed_cup_flats(item: FixedCupFlats) -> Chances:
    model = MODELS.fixed_cup_flats
    proper = _FLATS.density(item.reading.mm, math.hypot(item.reading.sd, model.making_sd))
    return _mixed("original", model, proper, item.span[1] - item.span[0])


def _background(_: OldCrank | Origin) -> Chances:
    """Background enters by the prior, so it is as probable on one shell as on another."""
    return _NOTHING


_MODEL_OF: dict[type, Callable[[Any], Chances]] = {
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


def chances(item: Evidence) -> Chances:
    """Likelihood of one observation by the feature it speaks of."""
    return _MODEL_OF[type(item)](item)


def likelihoods(item: Evidence) -> tuple[Likelihood, ...]:
    """Likelihood of one observation on every shell in ``SHELLS``, in their order."""
    feature, *both = chances(item)
    proper, slip = (part[FEATURES[feature].of_shell].tolist() for part in both)
    return tuple(map(Likelihood, proper, slip))
