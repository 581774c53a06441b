"""Evidence on the wire, and what is refused before anything is computed."""

from typing import Any

import msgspec
import pytest
from hypothesis import given

from cotterline.bench.errors import CotterlineError
from cotterline.bench.quantity import Reading
from cotterline.bench.shell.evidence import Evidence, EvidenceList, Origin, PitchGauge, ShellWidth, check, kind, side
from tests.bench.bikes import bore, crank, crests, cup, flats, gauge, hand, inside, origin, stamp, width
from tests.bench.random_evidence import ANY_EVIDENCE

DECODE = msgspec.json.Decoder(EvidenceList, strict=True).decode


def _read(*items: dict[str, Any]) -> tuple[Evidence, ...]:
    evidence: tuple[Evidence, ...] = DECODE(msgspec.json.encode(items))
    return evidence


def _refusal(*evidence: Evidence) -> CotterlineError:
    with pytest.raises(CotterlineError) as caught:
        check(evidence)
    return caught.value


@given(ANY_EVIDENCE)
def test_evidence_is_the_same_after_a_trip_over_the_wire_and_passes_the_check(evidence: tuple[Evidence, ...]) -> None:
    assert DECODE(msgspec.json.encode(evidence)) == evidence
    check(evidence)


@pytest.mark.parametrize(
    ("item", "pointer", "words"),
    [
        (width(59.9), "/evidence/0/reading/value", "a shell's width must be 60 to 110 mm"),
        (width(300), "/evidence/0/reading/value", "a shell's width must be 60 to 110 mm"),
        (width(-68), "/evidence/0/reading/value", "a shell's width must be 60 to 110 mm"),
        (ShellWidth(reading=Reading(value=68, unit="in")), "/evidence/0/reading/value", "68 in is 1727.2 mm"),
        (cup(27.9), "/evidence/0/reading/value", "a cup's outside diameter must be 28 to 55 mm"),
        (cup(55.1), "/evidence/0/reading/value", "a cup's outside diameter must be 28 to 55 mm"),
        (inside(27.9), "/evidence/0/reading/value", "a shell's inside diameter must be 28 to 55 mm"),
        (inside(55.1), "/evidence/0/reading/value", "a shell's inside diameter must be 28 to 55 mm"),
        (flats(27.9), "/evidence/0/reading/value", "a fixed cup's flats must be 28 to 50 mm"),
        (flats(50.1), "/evidence/0/reading/value", "a fixed cup's flats must be 28 to 50 mm"),
        (gauge(7), "/evidence/0/leaf", "a leaf must be 8 to 64 tpi; got 7"),
        (gauge(0.3, "mm"), "/evidence/0/leaf", "a leaf must be 0.4 to 3 mm; got 0.3"),
        (gauge(24, "mm"), "/evidence/0/leaf", "a leaf must be 0.4 to 3 mm; got 24"),
        (gauge(24, over=1.9), "/evidence/0/thread_length/value", "a length of thread must be 2 to 40 mm"),
        (gauge(24, over=40.1), "/evidence/0/thread_length/value", "a length of thread must be 2 to 40 mm"),
        (crests(9, 3.1), "/evidence/0/length/value", "the length over 9 crests must be 3.2 to 24 mm"),
        (crests(9, 24.1), "/evidence/0/length/value", "the length over 9 crests must be 3.2 to 24 mm"),
        (origin("GB", 1970, 1955), "/evidence/0/latest_year", "the latest year comes before the earliest"),
    ],
)
def test_an_impossible_item_is_refused_by_the_name_of_its_field(item: Evidence, pointer: str, words: str) -> None:
    refusal = _refusal(item)
    assert refusal.code == "impossible-value"
    assert [fault.pointer for fault in refusal.faults] == [pointer]
    assert words in refusal.faults[0].detail


@pytest.mark.parametrize(
    "item",
    [
        width(60),
        width(110),
        cup(28),
        cup(55),
        inside(28),
        inside(55),
        flats(28),
        flats(50),
        gauge(8),
        gauge(64),
        gauge(0.4, "mm"),
        gauge(3, "mm"),
        gauge(24, over=2),
        gauge(24, over=40),
        crests(9, 3.2),
        crests(9, 24),
        origin("GB", 1955, 1955),
        origin("GB", first=1955),
        origin("GB", last=1955),
        origin(),
    ],
)
def test_the_ends_of_every_span_are_possible(item: Evidence) -> None:
    check([item])


def test_every_fault_is_told_at_once_each_where_it_stands() -> None:
    refusal = _refusal(width(300), gauge(24), cup(5), gauge(90, over=1))
    pointers = [fault.pointer for fault in refusal.faults]
    assert pointers == [
        "/evidence/0/reading/value",
        "/evidence/2/reading/value",
        "/evidence/3/leaf",
        "/evidence/3/thread_length/value",
    ]


@pytest.mark.parametrize(
    ("evidence", "pointer", "words"),
    [
        ((origin("GB"), gauge(24), origin("FR")), "/evidence/2", "a bicycle has one origin; item 0 states it already"),
        ((crank("cottered"), crank("cottered")), "/evidence/1", "a bicycle has one old_crank; item 0 states it"),
        ((bore("plain"), hand("left"), bore("threaded")), "/evidence/2/look", "item 0 says the same side's bore"),
        ((bore("threaded", "non_drive"), bore("plain", "non_drive")), "/evidence/1/look", "bore is threaded"),
    ],
)
def test_two_statements_that_cannot_be_about_one_bicycle_are_refused(
    evidence: tuple[Evidence, ...], pointer: str, words: str
) -> None:
    refusal = _refusal(*evidence)
    assert refusal.code == "evidence-conflict"
    assert [fault.pointer for fault in refusal.faults] == [pointer]
    assert words in refusal.faults[0].detail


@pytest.mark.parametrize(
    "evidence",
    [
        (bore("plain"), bore("threaded", "non_drive")),
        (bore("plain"), bore("plain")),
        (gauge(24), gauge(26)),
        (width(68), width(71)),
        (hand("left"), hand("right")),
        (stamp("36x24"), gauge(26)),
        (bore("plain"), hand("left", "non_drive")),
    ],
)
def test_readings_that_disagree_are_no_fault_the_verdict_speaks_of_them(evidence: tuple[Evidence, ...]) -> None:
    check(evidence)


def test_faults_point_from_where_the_evidence_stands_in_the_request() -> None:
    with pytest.raises(CotterlineError) as caught:
        check([width(300)], "/job/evidence")
    assert caught.value.faults[0].pointer == "/job/evidence/0/reading/value"


@pytest.mark.parametrize(
    "item",
    [
        {"kind": "colour", "value": "red"},
        {"kind": "shell_width"},
        {"kind": "shell_width", "reading": {"value": 68}, "side": "drive"},
        {"kind": "shell_width", "reading": 68},
        {"kind": "cup_hand", "side": "left", "hand": "left"},
        {"kind": "cup_hand", "side": "drive", "hand": "both"},
        {"kind": "bore", "side": "drive", "look": "rusty"},
        {"kind": "pitch_gauge", "side": "drive", "leaf": 24},
        {"kind": "pitch_gauge", "side": "drive", "leaf": 0, "leaf_unit": "tpi"},
        {"kind": "pitch_gauge", "side": "drive", "leaf": 65, "leaf_unit": "tpi"},
        {"kind": "crest_count", "side": "drive", "crests": 2, "length": {"value": 1}},
        {"kind": "crest_count", "side": "drive", "crests": 61, "length": {"value": 60}},
        {"kind": "crest_count", "side": "drive", "crests": 9.5, "length": {"value": 9}},
        {"kind": "stamp", "side": "drive", "text": ""},
        {"kind": "stamp", "side": "drive", "text": "x" * 41},
        {"kind": "stamp", "side": "drive", "text": "1.37x24\n"},
        {"kind": "stamp", "side": "drive", "text": "1.37\x00x24"},
        {"kind": "cup_fittings", "raised": "left"},
        {"kind": "old_crank", "crank": "wooden"},
        {"kind": "origin", "country": "gb"},
        {"kind": "origin", "country": "GBR"},
        {"kind": "origin", "country": "GB\n"},
        {"kind": "origin", "earliest_year": 1700},
        {"kind": "origin", "latest_year": 2101},
        {"reading": {"value": 68}},
    ],
)
def test_what_is_no_evidence_is_refused_on_the_wire(item: dict[str, Any]) -> None:
    with pytest.raises(msgspec.ValidationError):
        _read(item)


@pytest.mark.parametrize("count", [0, 41])
def test_evidence_has_one_to_forty_items(count: int) -> None:
    with pytest.raises(msgspec.ValidationError, match="length"):
        _read(*[{"kind": "bore", "side": "drive", "look": "plain"}] * count)


def test_a_leaf_stands_for_its_pitch_and_an_item_for_its_kind_and_side() -> None:
    assert gauge(24).pitch_mm == pytest.approx(1.05833, abs=1e-5)
    assert gauge(1.5, "mm").pitch_mm == 1.5
    assert kind(PitchGauge(side="drive", leaf=24, leaf_unit="tpi")) == "pitch_gauge"
    assert side(hand("left", "non_drive")) == "non_drive"
    assert side(width(68)) is None


@pytest.mark.parametrize(
    ("item", "years"),
    [
        (origin("GB"), None),
        (origin(first=1955), (1955, 1955)),
        (origin(last=1970), (1970, 1970)),
        (origin(first=1955, last=1970), (1955, 1970)),
    ],
)
def test_one_known_year_is_first_and_last(item: Origin, years: tuple[int, int] | None) -> None:
    assert item.years == years
