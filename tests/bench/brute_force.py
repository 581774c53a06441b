"""The verdict's probabilities computed a second time: from the data files and the wire form, with numpy and scipy.

Nothing of the core is called. Shells, priors, error models and Bayes' rule are written out anew, so that a slip in
either place shows as a difference.
"""

import math
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.resources import files
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from cotterline.bench.shell.evidence import Evidence

Vector = NDArray[np.float64]
Wire = Mapping[str, Any]


def _table(name: str) -> dict[str, Any]:
    return tomllib.loads(files("cotterline.bench.data").joinpath(f"{name}.toml").read_text("utf-8"))


_FAMILIES: dict[str, Any] = {row["id"]: row for row in _table("families")["family"]}
_RETAP = _table("families")["retap"]
_MODELS = _table("likelihoods")
_PRIORS = _table("priors")
_STAMP_ROWS = _table("stamps")["stamp"]
_STAMP_SETS = {tuple(row["families"]) for row in _STAMP_ROWS}


class Shell(NamedTuple):
    """Family id on each side, nominal width, and share within the family's prior weight."""

    drive: str
    non_drive: str
    width: float
    share: float
    made_as: str


def _all_shells() -> list[Shell]:
    shells = []
    cut = _RETAP["share_per_side"]
    for name, row in _FAMILIES.items():
        for text, part in row["widths"].items():
            mixes = [(name, name, 1.0)]
            if name in _RETAP["from"]:
                mixes = [(name, name, 1 - 2 * cut), (_RETAP["to"], name, cut), (name, _RETAP["to"], cut)]
            shells += [Shell(drive, other, float(text), part * share, name) for drive, other, share in mixes]
    return shells


SHELLS = _all_shells()


def wire(evidence: Iterable[Evidence]) -> list[Wire]:
    """Evidence as it travels."""
    return [msgspec.to_builtins(item) for item in evidence]


def pitch_mm(family: str) -> float | None:
    """A family's pitch in mm."""
    row = _FAMILIES[family].get("pitch")
    if row is None:
        return None
    return float(25.4 / row["value"] if row["unit"] == "tpi" else row["value"])


def _reading(reading: Wire) -> tuple[float, float]:
    scale = 25.4 if reading.get("unit", "mm") == "in" else 1.0
    spread = reading.get("plus_minus")
    tool_spread = {"ruler": 1.0, "caliper": 0.1, "gauge": 0.4}[reading.get("tool", "ruler")]
    return reading["value"] * scale, (tool_spread if spread is None else spread * scale) / 2


def _slipping(slip: float, proper: float, span: float) -> float:
    return (1 - slip) * proper + slip / span


def _shell_width(item: Wire, shell: Shell) -> float:
    model, (value, sd) = _MODELS["shell_width"], _reading(item["reading"])
    density = stats.norm.pdf(value, loc=shell.width, scale=math.hypot(sd, model["making_sd"]))
    return _slipping(model["slip"], density, 110 - 60)


def _pitch_gauge(item: Wire, shell: Shell) -> float:
    model = _MODELS["pitch_gauge"]
    leaf = 25.4 / item["leaf"] if item["leaf_unit"] == "tpi" else item["leaf"]
    leaves = np.array(sorted({25.4 / tpi for tpi in model["leaves_tpi"]} | {*model["leaves_mm"], leaf}))
    true = pitch_mm(getattr(shell, item["side"]))
    if true is None:
        return float(model["slip"] / len(leaves))
    length = _reading(item["thread_length"])[0] if "thread_length" in item else model["thread_length"]
    scores = stats.norm.pdf(length / leaves - length / true, scale=model["judgement"])
    return _slipping(model["slip"], scores[np.flatnonzero(leaves == leaf)[0]] / scores.sum(), len(leaves))


def _crest_count(item: Wire, shell: Shell) -> float:
    model, (length, sd) = _MODELS["crest_count"], _reading(item["length"])
    steps, true = item["crests"] - 1, pitch_mm(getattr(shell, item["side"]))
    span = steps * (3 - 0.4)
    if true is None:
        return float(model["slip"] / span)
    wrong = model["miscount"]
    centres = true * np.array([steps, steps - 1, steps + 1])
    proper = np.dot([1 - 2 * wrong, wrong, wrong], stats.norm.pdf(length, loc=centres, scale=sd))
    return _slipping(model["slip"], float(proper), span)


def _cup_sizes(family: str) -> list[tuple[float, float]]:
    """Centre and standard deviation of a new cup, one per nominal diameter: class 6g, evenly spread."""
    row, pitch = _FAMILIES[family], pitch_mm(family)
    if pitch is None:
        return [(bore, 0.1 / math.sqrt(12)) for bore in row["diameters"]]
    deviation = (15 + 11 * pitch) / 1000
    tolerance = (180 * pitch ** (2 / 3) - 3.15 / math.sqrt(pitch)) / 1000
    return [(size - deviation - tolerance / 2, tolerance / math.sqrt(12)) for size in row["diameters"]]


def _bore_sizes(family: str) -> list[tuple[float, float]]:
    """Centre and standard deviation of the shell between its crests: class 6H, evenly spread."""
    row, pitch = _FAMILIES[family], pitch_mm(family)
    if pitch is None:
        return _cup_sizes(family)
    depth = {"iso": 1.25 * math.cos(math.radians(30)), "whitworth": 1.280654, "cycle": 1.0654}[row["form"]]
    tolerance = (230 * pitch**0.7 if pitch >= 1 else 433 * pitch - 190 * pitch**1.22) / 1000
    return [(size - depth * pitch + tolerance / 2, tolerance / math.sqrt(12)) for size in row["diameters"]]


def _across(item: Wire, model: Wire) -> tuple[float, float]:
    value, sd = _reading(item["reading"])
    extra = model["ruler_sd"] if item["reading"].get("tool", "ruler") == "ruler" else 0.0
    return value, math.sqrt(sd**2 + extra**2 + model["making_sd"] ** 2)


def _cup_outside_diameter(item: Wire, shell: Shell) -> float:
    model = _MODELS["cup_outside_diameter"]
    (value, sd), family = _across(item, model), getattr(shell, item["side"])
    wear = model["wear"] if _FAMILIES[family]["threaded"] else {"0": 1.0}
    sizes = _cup_sizes(family)
    densities = [
        share * stats.norm.pdf(value, loc=centre - float(worn), scale=math.hypot(sd, spread))
        for centre, spread in sizes
        for worn, share in wear.items()
    ]
    return _slipping(model["slip"], sum(densities) / len(sizes), 55 - 28)


def _shell_inside_diameter(item: Wire, shell: Shell) -> float:
    model = _MODELS["shell_inside_diameter"]
    value, sd = _across(item, model)
    sizes = _bore_sizes(getattr(shell, item["side"]))
    densities = [stats.norm.pdf(value, loc=centre, scale=math.hypot(sd, spread)) for centre, spread in sizes]
    return _slipping(model["slip"], float(np.mean(densities)), 55 - 28)


def _cup_hand(item: Wire, shell: Shell) -> float:
    model, family = _MODELS["cup_hand"], getattr(shell, item["side"])
    half = model["slip"] / 2
    if not _FAMILIES[family]["threaded"]:
        locknut = family.startswith("thompson") and item["side"] == "non_drive" and item["hand"] == "left"
        return float(half + (model["thompson_left_non_drive"] if locknut else 0))
    expected = _FAMILIES[family]["drive_hand"] if item["side"] == "drive" else "right"
    return float(1 - half if item["hand"] == expected else half)


def _bore(item: Wire, shell: Shell) -> float:
    slip = _MODELS["bore"]["slip"]
    threaded = _FAMILIES[getattr(shell, item["side"])]["threaded"]
    return float(1 - slip / 2 if (item["look"] == "threaded") == threaded else slip / 2)


STAMPED_AS: Mapping[str, str] = {
    "1.37x24": "1.37x24",
    "BC 1.37": "1.37",
    "B.C. 1.37 x 24": "1.37x24",
    "34.8 x 24": "34.8x24",
    "M35x24": "35x24",
    "36x24": "36x24",
    "36 mm x 24 TPI": "36x24",
    "35x1": "35x1",
    "35 x 1": "35x1",
    "M35x1": "35x1",
    "1.37x26": "1.37x26",
    "1 3/8 x 26": "13/8x26",
    "1.45x26": "1.45x26",
    "T47": "t47",
    "47x1": "47x1",
    "M48x1.5": "48x1.5",
    "EXTRA": "",
    "made in": "",
    "3": "",
}
"""Stamps as cups carry them, and the text of the stamp table each is; empty where the table has none."""


def stamp_row(text: str) -> Wire | None:
    """The row of the stamp table for a stamp, if there is one."""
    return next((row for row in _STAMP_ROWS if STAMPED_AS[text] in row["texts"]), None)


def _stamp(item: Wire, shell: Shell) -> float:
    row, model, family = stamp_row(item["text"]), _MODELS["stamp"], getattr(shell, item["side"])
    if row is None:
        return 1.0
    wrong = model["slip"] + row.get("doubt", 0.0)
    stray = wrong / len(_STAMP_SETS)
    size, stamped = (_FAMILIES[name]["diameters"][0] for name in (family, row["families"][0]))
    if abs(size - stamped) > model["near"]:
        stray *= model["far_share"]
    return float(stray + (1 - wrong if family in row["families"] else 0))


def _cup_fittings(item: Wire, shell: Shell) -> float:
    table = _MODELS["cup_fittings"]
    return float(table.get(shell.made_as, table["default"])[item["raised"]])


def _fixed_cup_flats(item: Wire, shell: Shell) -> float:
    model, (value, sd) = _MODELS["fixed_cup_flats"], _reading(item["reading"])
    sizes = model[shell.made_as] if shell.made_as in {"french", "swiss"} else model["default"]
    centres = np.array([float(size) for size in sizes])
    densities = stats.norm.pdf(value, loc=centres, scale=math.hypot(sd, model["making_sd"]))
    return _slipping(model["slip"], float(np.dot(list(sizes.values()), densities)), 50 - 28)


_MODEL_OF: dict[str, Callable[[Wire, Shell], float]] = {
    "shell_width": _shell_width,
    "pitch_gauge": _pitch_gauge,
    "crest_count": _crest_count,
    "cup_outside_diameter": _cup_outside_diameter,
    "shell_inside_diameter": _shell_inside_diameter,
    "cup_hand": _cup_hand,
    "bore": _bore,
    "stamp": _stamp,
    "cup_fittings": _cup_fittings,
    "fixed_cup_flats": _fixed_cup_flats,
}


def likelihood(item: Wire) -> Vector:
    """Probability (density) of an observation on every shell."""
    model = _MODEL_OF[item["kind"]]
    return np.array([model(item, shell) for shell in SHELLS])


def _rule_share(rule: Wire, known: Wire) -> float:
    for key, value in (("countries", known.get("country")), ("cranks", known.get("crank"))):
        if key in rule and value not in rule[key]:
            return 0.0
    if "from" not in rule and "to" not in rule:
        return 1.0
    years = [known[key] for key in ("earliest_year", "latest_year") if key in known]
    if not years:
        return 0.0
    span = range(years[0], years[-1] + 1)
    covered = [year for year in span if rule.get("from", year) <= year <= rule.get("to", year)]
    return len(covered) / len(span)


def prior(evidence: Sequence[Wire]) -> Vector:
    """Prior weight of every shell, after the background."""
    known: dict[str, Any] = {}
    for item in evidence:
        if item["kind"] in {"origin", "old_crank"}:
            known |= item
    weight = dict(_PRIORS["base"]["weights"])
    of_width: dict[float, float] = defaultdict(lambda: 1.0)
    for rule in _PRIORS["rule"]:
        share = _rule_share(rule, known)
        for family, factor in rule.get("factors", {}).items():
            weight[family] *= factor**share
        for size, factor in rule.get("widths", {}).items():
            of_width[float(size)] *= factor**share
    threaded = {name: row["threaded"] for name, row in _FAMILIES.items()}
    return np.array(
        [
            weight[shell.made_as] * shell.share * (of_width[shell.width] if threaded[shell.made_as] else 1)
            for shell in SHELLS
        ]
    )


def posterior(evidence: Sequence[Wire]) -> Vector:
    """Probability of every shell: readings of one kind and side count once, by their geometric mean."""
    groups: dict[tuple[str, str | None], list[Vector]] = defaultdict(list)
    for item in evidence:
        readable = item["kind"] != "stamp" or stamp_row(item["text"]) is not None
        if item["kind"] in _MODEL_OF and readable:
            groups[item["kind"], item.get("side")].append(likelihood(item))
    joint = prior(evidence)
    for group in groups.values():
        joint = joint * np.prod([row ** (1 / len(group)) for row in group], axis=0)
    return np.asarray(joint / joint.sum(), dtype=np.float64)


def expected_gain(chances: Vector, probabilities: Vector) -> float:
    """Bits an experiment is expected to give: mutual information of outcome (rows) and shell (columns)."""
    joint = chances * probabilities
    independent = joint.sum(axis=1, keepdims=True) * probabilities
    return float(special.rel_entr(joint, independent).sum() / math.log(2))
