"""The thread verdict held against bikes whose thread is known.

The table beside this file names the source of every bike. An order on a wrong thread is the one failure that must
not happen; asking for one more measurement is at worst a nuisance.
"""

import tomllib
from collections import Counter
from pathlib import Path
from typing import Literal, get_args

import msgspec
import pytest

from cotterline.bench.derivation import Trace
from cotterline.bench.shell.evidence import Evidence
from cotterline.bench.shop import ShopSettings
from cotterline.bench.thread_verdicts import Verdict, verdict

State = Literal["fit_to_order", "likely", "undecided", "contradictory"]

THREADED = frozenset(
    {"iso_english", "italian", "french", "swiss", "british_26", "whitworth_26", "oversize_26", "t47", "m48"}
)
UNTHREADED = frozenset(
    {"thompson_30", "thompson_33", "thompson_35", "thompson_38", "thompson_40", "thompson_45"}
    | {"one_piece_51", "mid_41", "spanish_37", "press_37", "press_41", "press_42", "press_46"}
)
NO_STOCK_UNIT = UNTHREADED | {"british_26", "whitworth_26", "oversize_26", "unlisted"}
KINDS = frozenset(
    {"pitch_gauge", "crest_count", "cup_outside_diameter", "shell_inside_diameter", "shell_width", "cup_hand", "bore"}
    | {"stamp", "cup_fittings", "fixed_cup_flats", "old_crank", "origin"}
)
DIRECT = frozenset({"pitch_gauge", "crest_count", "stamp"})
REACHED = 0.7
"""Least share of the bikes fit for an order that must reach it, so that the verdict is of use."""


class Truth(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the bike really has: the thread of each side, and the nominal shell width in mm."""

    drive: str
    non_drive: str
    width: float


class Bike(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One row: what was noted of a bike, what it is, and which states do no harm."""

    id: str
    about: str
    origin: Literal["source", "common practice", "constructed"]
    source: str
    evidence: tuple[dict[str, object], ...]
    truth: Truth
    acceptable: frozenset[State]
    why: str

    @property
    def kinds(self) -> frozenset[object]:
        """The kinds of evidence noted."""
        return frozenset(item["kind"] for item in self.evidence)


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The whole table."""

    bike: tuple[Bike, ...]


PATH = Path(__file__).parent / "data" / "labelled_bikes.toml"
BIKES = msgspec.convert(tomllib.loads(PATH.read_text(encoding="utf-8")), Table).bike


def judge(bike: Bike) -> Verdict:
    evidence = msgspec.convert(bike.evidence, tuple[Evidence, ...])
    return verdict(evidence, ShopSettings(), Trace())


def named(found: Verdict) -> tuple[str, str, float]:
    """The thread of each side and the shell width the verdict would order for."""
    return found.leading.drive, found.leading.non_drive, found.shell_width.nominal.value


def true_of(bike: Bike) -> tuple[str, str, float]:
    return bike.truth.drive, bike.truth.non_drive, bike.truth.width


def test_the_table_is_large_and_names_every_bike_once() -> None:
    assert len(BIKES) >= 120
    assert [name for name, times in Counter(bike.id for bike in BIKES).items() if times > 1] == []


def test_the_table_holds_every_kind_of_evidence() -> None:
    assert frozenset().union(*(bike.kinds for bike in BIKES)) == KINDS


def test_the_table_holds_every_family_on_some_bike() -> None:
    held = {family for bike in BIKES for family in (bike.truth.drive, bike.truth.non_drive)}
    assert held == THREADED | UNTHREADED | {"unlisted"}


def test_the_table_holds_both_units_every_tool_and_bikes_with_two_threads() -> None:
    readings = [part for bike in BIKES for item in bike.evidence for part in item.values() if isinstance(part, dict)]
    assert {reading["unit"] for reading in readings} == {"mm", "in"}
    assert {reading.get("tool", "ruler") for reading in readings} == {"ruler", "caliper", "gauge"}
    assert {bike.truth.drive == bike.truth.non_drive for bike in BIKES} == {True, False}


def test_every_bike_says_where_it_comes_from_and_forty_are_not_constructed() -> None:
    assert all(bike.source and bike.about.endswith(".") and bike.why.endswith(".") for bike in BIKES)
    assert all(bike.source.startswith("constructed from") == (bike.origin == "constructed") for bike in BIKES)
    assert all((bike.source == "common practice, no source") == (bike.origin == "common practice") for bike in BIKES)
    assert sum(bike.origin != "constructed" for bike in BIKES) >= 40


def test_every_state_is_acceptable_somewhere_and_no_bike_accepts_everything() -> None:
    assert frozenset().union(*(bike.acceptable for bike in BIKES)) == frozenset(get_args(State))
    assert all(0 < len(bike.acceptable) < 4 for bike in BIKES)


@pytest.mark.parametrize(
    "bike", [bike for bike in BIKES if "fit_to_order" in bike.acceptable], ids=lambda bike: bike.id
)
def test_an_order_is_accepted_only_where_thread_and_width_were_seen_and_one_stock_unit_fits(bike: Bike) -> None:
    assert bike.kinds & DIRECT
    assert "shell_width" in bike.kinds
    assert bike.truth.drive == bike.truth.non_drive
    assert bike.truth.drive not in NO_STOCK_UNIT


@pytest.mark.parametrize("bike", BIKES, ids=lambda bike: bike.id)
def test_the_verdict_is_one_a_careful_mechanic_accepts(bike: Bike) -> None:
    found = judge(bike)
    assert found.state in bike.acceptable, f"{found.state} {named(found)}, but {bike.why}"


@pytest.mark.parametrize("bike", BIKES, ids=lambda bike: bike.id)
def test_what_is_called_fit_to_order_is_what_the_bike_has(bike: Bike) -> None:
    found = judge(bike)
    if found.state == "fit_to_order":
        assert named(found) == true_of(bike)


def test_nothing_is_called_fit_to_order_wrongly_and_most_that_are_fit_are_called_so() -> None:
    found = {bike.id: judge(bike) for bike in BIKES}
    ordered = [bike for bike in BIKES if found[bike.id].state == "fit_to_order"]
    wrongly = [
        bike.id for bike in ordered if "fit_to_order" not in bike.acceptable or named(found[bike.id]) != true_of(bike)
    ]
    fit = [bike for bike in BIKES if "fit_to_order" in bike.acceptable]
    missed = [bike.id for bike in fit if found[bike.id].state != "fit_to_order"]
    share = 1 - len(missed) / len(fit)
    confusion = Counter((("fit" if bike in fit else "not fit"), found[bike.id].state) for bike in BIKES)
    report = f"{dict(confusion)}; wrongly: {wrongly}; missed: {missed}"
    assert wrongly == [], report
    assert share >= REACHED, report
