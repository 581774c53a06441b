"""Whatever can be observed or be missing has words, and says what was read as it was read."""

import tomllib
from importlib.resources import files
from typing import get_args

import pytest

from cotterline.bench.chain.methods import FrontMeasurement
from cotterline.bench.parts_data import TorqueSubject
from cotterline.bench.quantity import Reading
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
from cotterline.bench.shell.order_conditions import Condition
from cotterline.bench.thread_verdicts import State
from cotterline.documents.language import Language
from cotterline.documents.observed import observed
from cotterline.documents.words import LINE_READINGS, MEASUREMENTS, OBSERVED, STATES, TORQUES, UNMET

SIZE = Reading(value=34.7, tool="caliper")
SEEN: dict[str, tuple[Evidence, str]] = {
    "leaf": (PitchGauge(side="drive", leaf=24, leaf_unit="tpi"), "Gewindelehre, Antriebsseite: 24 Gang/Zoll"),
    "crests": (
        CrestCount(side="drive", crests=8, length=Reading(value=0.29, unit="in", plus_minus=0.004)),
        "8 Gewindespitzen, Antriebsseite: 0,29 ± 0,004 in",
    ),
    "cup": (
        CupOutsideDiameter(side="drive", reading=SIZE),
        "Schale über dem Gewinde, Antriebsseite: 34,7 mm (Messschieber)",
    ),
    "shell": (ShellInsideDiameter(side="non_drive", reading=SIZE), "Gehäuse innen, Gegenseite: 34,7 mm (Messschieber)"),
    "width": (ShellWidth(reading=Reading(value=68)), "Gehäusebreite 68 mm (Lineal)"),
    "hand": (CupHand(side="drive", hand="left"), "Schale, Antriebsseite: Linksgewinde"),
    "bore": (Bore(side="drive", look="plain"), "Bohrung, Antriebsseite: glatt"),
    "stamp": (Stamp(side="drive", text="{side}"), "Prägung, Antriebsseite: {side}"),
    "fittings": (CupFittings(raised="neither"), "erhabene Ansätze: an keiner Schale"),
    "flats": (FixedCupFlats(reading=SIZE), "Festlagerschale über Schlüsselflächen 34,7 mm (Messschieber)"),
    "crank": (OldCrank(crank="one_piece"), "alte Kurbel: einteilig"),
    # Names of countries: the Unicode CLDR.
    "origin": (Origin(country="CH", earliest_year=1962, latest_year=1974), "gebaut: Schweiz, 1962–1974"),
}


@pytest.mark.parametrize("name", SEEN)
def test_an_observation_is_told_as_it_was_made(name: str) -> None:
    item, words = SEEN[name]
    assert observed(item, Language.of("de")) == words


def test_there_are_words_for_whatever_the_core_says_by_code() -> None:
    assert {type(item) for item, _ in SEEN.values()} == set(get_args(Evidence))
    assert set(OBSERVED) == {str(kind.__struct_config__.tag) for kind in get_args(Evidence)}
    table = tomllib.loads(files("cotterline.bench").joinpath("data", "measurements.toml").read_text("utf-8"))
    assert set(MEASUREMENTS) == {row["kind"] for row in table["measurement"]}
    assert set(UNMET) == set(get_args(Condition))
    assert set(STATES) == set(get_args(State))
    assert set(TORQUES) == set(get_args(TorqueSubject))


def test_a_card_has_a_line_for_each_reading_of_a_method_and_one_for_the_chain_line() -> None:
    measured = {str(kind.__struct_config__.tag): kind for kind in get_args(FrontMeasurement)}
    for unread in ("measured_chain_line", "nominal"):
        del measured[unread]
    assert {method: len(lines) - 1 for method, lines in LINE_READINGS.items()} == {
        method: len(kind.__struct_fields__) for method, kind in measured.items()
    }
