"""The table of shells against the trade's, and the whole shells made of it."""

import math
from collections import Counter
from typing import get_args

import pytest

from cotterline.bench.shell.families import FAMILIES, SHELLS, FamilyId, Grade, Hand

TPI_24, TPI_26 = 25.4 / 24, 25.4 / 26

THREADED: dict[FamilyId, tuple[tuple[float, ...], float, Hand]] = {
    # ISO 6696:1989 (= BS 6102-9:1990): 1.370 in x 24, fixed cup left-hand
    "iso_english": ((34.798,), TPI_24, "left"),
    # workshop references, from here on
    "italian": ((36.0,), TPI_24, "right"),
    "french": ((35.0,), 1.0, "right"),
    "swiss": ((35.0,), 1.0, "left"),
    "british_26": ((34.798, 34.925), TPI_26, "left"),
    "whitworth_26": ((34.925,), TPI_26, "left"),
    "oversize_26": ((36.83,), TPI_26, "left"),
    "t47": ((47.0,), 1.0, "left"),
    "m48": ((48.0,), 1.5, "left"),
}
PLAIN: dict[FamilyId, tuple[float, set[float]]] = {
    # workshop references: bore, and widths between these
    "thompson_30": (30.0, {65, 70}),
    "thompson_33": (33.0, {65, 70}),
    "thompson_35": (35.0, {65, 70}),
    "thompson_38": (38.0, {65, 70}),
    "thompson_40": (40.0, {65, 70}),
    "thompson_45": (45.0, {65, 70}),
    "one_piece_51": (51.3, {65, 68}),
    "mid_41": (41.0, {68, 73}),
    "spanish_37": (37.0, {68, 73}),
    "press_37": (37.0, {90, 95}),
    "press_41": (41.0, {86.5, 92}),
    "press_42": (42.0, {68, 73}),
    "press_46": (46.0, {68, 86.5}),
}
WIDTHS: dict[FamilyId, set[float]] = {
    # workshop references; 70 mm of ISO/English on Japanese frames of the 1970s
    "iso_english": {68, 70, 73, 83, 100},
    "italian": {68, 70},
    "french": {68},
    "swiss": {68},
    "british_26": {68, 71, 76},
    "t47": {68, 73, 77, 85.5, 86.5, 89.5, 92},
    "m48": {68, 100},
}


def test_every_family_stands_in_the_table_once() -> None:
    assert set(FAMILIES) == set(get_args(FamilyId)) == set(THREADED) | set(PLAIN)


@pytest.mark.parametrize("family", THREADED)
def test_threads_have_the_diameter_pitch_and_hand_of_the_trade(family: FamilyId) -> None:
    row, (diameters, pitch, hand) = FAMILIES[family], THREADED[family]
    assert row.threaded
    assert row.pitch is not None
    assert row.diameters == diameters
    assert row.diameter == diameters[0]
    assert row.pitch.mm == pytest.approx(pitch, abs=1e-9)
    assert row.hand("drive") == hand


def test_the_non_drive_cup_is_right_handed_in_every_threaded_family() -> None:
    """Common practice, no source."""
    assert {FAMILIES[family].hand("non_drive") for family in THREADED} == {"right"}


@pytest.mark.parametrize("family", PLAIN)
def test_plain_shells_have_the_bore_and_widths_of_the_trade(family: FamilyId) -> None:
    row, (bore, ends) = FAMILIES[family], PLAIN[family]
    widths = {float(text) for text in row.widths}
    assert not row.threaded
    assert row.diameter == bore
    assert {min(widths), max(widths)} == ends
    assert row.pitch is None
    assert row.hand("drive") is None
    assert row.hand("non_drive") is None
    assert row.cups == row.bores
    assert row.bores[0].middle == pytest.approx(bore)


@pytest.mark.parametrize("family", WIDTHS)
def test_threaded_shells_come_in_the_widths_of_the_trade(family: FamilyId) -> None:
    assert {float(text) for text in FAMILIES[family].widths} == WIDTHS[family]


@pytest.mark.parametrize("family", ["british_26", "whitworth_26", "oversize_26", *PLAIN])
def test_no_stock_unit_screws_into_the_26_tpi_shells_or_a_plain_one(family: FamilyId) -> None:
    assert not any(FAMILIES[family].has_stock_unit(float(width)) for width in FAMILIES[family].widths)


@pytest.mark.parametrize(
    ("family", "width", "made"),
    [
        ("iso_english", 68, True),
        ("iso_english", 70, False),
        ("italian", 70, True),
        ("italian", 68, False),
        ("french", 68, True),
        ("french", 70, False),
        ("swiss", 68, True),
        ("t47", 86.5, True),
        ("m48", 100, True),
    ],
)
def test_units_are_made_for_the_usual_widths_only(family: FamilyId, width: float, *, made: bool) -> None:
    assert FAMILIES[family].has_stock_unit(width) is made


@pytest.mark.parametrize(
    ("family", "low", "high"),
    [("iso_english", 34.6, 34.9), ("italian", 35.6, 35.9)],
)
def test_measured_cups_of_workshop_references_lie_within_limits_and_wear(
    family: FamilyId, low: float, high: float
) -> None:
    """Workshop references print the ranges cups measure; worn ones read up to 0.2 mm under nominal."""
    limits = FAMILIES[family].cups[0]
    assert limits.low - 0.2 <= low <= limits.high
    assert high <= FAMILIES[family].diameter + 0.11


def test_every_family_names_its_source_and_grade() -> None:
    assert all(row.source.strip() and row.grade in get_args(Grade) for row in FAMILIES.values())


def test_shares_of_the_widths_of_a_family_sum_to_one() -> None:
    assert all(math.fsum(row.widths.values()) == pytest.approx(1.0) for row in FAMILIES.values())


def test_shares_of_the_whole_shells_of_a_family_sum_to_one_retaps_included() -> None:
    sums = {family: math.fsum(shell.share for shell in SHELLS if shell.original.id == family) for family in FAMILIES}
    assert sums == pytest.approx(dict.fromkeys(FAMILIES, 1.0))


def test_only_a_smaller_thread_can_have_been_cut_over_and_only_to_the_italian_one() -> None:
    mixed = [shell for shell in SHELLS if shell.mixed]
    assert mixed
    for shell in mixed:
        assert "italian" in {shell.drive.id, shell.non_drive.id}
        assert shell.original.id != "italian"
        assert shell.original.diameter < FAMILIES["italian"].diameter
        assert shell.original is shell.drive or shell.original is shell.non_drive
        assert f"{shell.width:g}" in shell.original.widths


def test_each_retappable_shell_is_held_possible_with_either_side_cut_over() -> None:
    retapped = Counter((shell.original.id, shell.width) for shell in SHELLS if shell.mixed)
    assert set(retapped.values()) == {2}
    assert {family for family, _ in retapped} == {"iso_english", "french", "swiss", "british_26", "whitworth_26"}
