"""A file of bicycles is read as it comes, whatever its form, and nothing of it is guessed."""

import io
import tracemalloc
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest

from cotterline.api.bicycles.bike import Bike, Refused, UnreadableError, answer
from cotterline.api.bicycles.columns import COLUMNS, COMPANIONS, companion, every_name
from cotterline.bench.errors import Fault
from cotterline.bench.workshop import Workshop
from cotterline.cli.bikes_file import Form, bikes
from tests.command_line import FIXTURES

WIDTH = b'{"evidence":[{"kind":"shell_width","reading":{"value":68}}]}\n'


class Endless(io.RawIOBase):
    """A file made as it is read: a first line, then the same line again and again, up to a count."""

    def __init__(self, first: bytes, line: bytes, count: int) -> None:
        super().__init__()
        self._pieces = self._made(first, line * 10, count // 10)
        self.read_bytes = 0

    @staticmethod
    def _made(first: bytes, piece: bytes, count: int) -> Iterator[bytes]:
        yield first
        for _ in range(count):
            yield piece

    def readable(self) -> bool:
        """Say that it can be read."""
        return True

    def readinto(self, buffer: Any, /) -> int:  # noqa: ANN401 - any buffer will do
        """Give the next piece."""
        piece = next(self._pieces, b"")
        buffer[: len(piece)] = piece
        self.read_bytes += len(piece)
        return len(piece)


ROWS = {
    "json-lines": (WIDTH, WIDTH),
    "csv": (b"reference,shell_width,drive_gauge_tpi\n", b'"the ""red"" one",68,24\n'),
}


def read(content: bytes, name: str = "bikes", form: Form | None = None) -> list[Bike | Refused]:
    return [*bikes(io.BytesIO(content), name, form)]


def refusal(found: Bike | Refused) -> tuple[Fault, ...]:
    assert isinstance(found, Refused)
    return found.faults


@pytest.mark.parametrize("form", ["json-lines", "csv"])
def test_a_million_bicycles_are_read_one_by_one(form: Form) -> None:
    file = Endless(*ROWS[form], 1_000_000)
    found = bikes(io.BufferedReader(file), "bikes", form)
    assert isinstance(next(found), Bike)
    assert file.read_bytes < 100_000


@pytest.mark.parametrize("form", ["json-lines", "csv"])
def test_memory_does_not_grow_with_the_file(form: Form) -> None:
    peaks = []
    for count in (500, 5000):
        tracemalloc.start()
        assert sum(
            isinstance(found, Bike) for found in bikes(io.BufferedReader(Endless(*ROWS[form], count)), "x", form)
        )
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] - peaks[0] < 100_000


def test_the_table_of_the_demonstration_holds_the_same_requests_as_its_json() -> None:
    expected = [
        found.request for found in read((FIXTURES / "bikes.json").read_bytes(), "bikes.json") if isinstance(found, Bike)
    ]
    rows = read((FIXTURES / "bikes.csv").read_bytes(), "bikes.csv")
    assert [found.request for found in rows if isinstance(found, Bike)] == expected
    assert len(rows) == len(expected) > 12


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff", "\n\n"])
def test_a_spreadsheets_habits_change_nothing(delimiter: str, ending: str, mark: str) -> None:
    rows = ["Reference,SHELL_WIDTH ,drive_stamp", '"a\r\nb", 68 ,1.37x24', ",,", '"two ""inch""",68.5,"1.37x24"']
    content = mark + ending.join(row.replace(",", delimiter) for row in rows) + ending
    first, second = read(content.encode(), "bikes.csv")
    assert isinstance(first, Bike)
    assert isinstance(second, Bike)
    assert first.request.reference == "a\r\nb"
    assert second.request.reference == 'two "inch"'
    before = 2 if mark == "\n\n" else 0
    assert (first.place, second.place) == (f"row {before + 2}", f"row {before + 4}")


@pytest.mark.parametrize(
    ("columns", "cells", "fault"),
    [
        ("shell_width", "67,5", "67,5 has a decimal comma: write 67.5"),
        ("shell_width", "68 mm", "must be a number such as 67.5; its unit and its tool have columns of their own"),
        ("shell_width", "nan", "must be a number"),
        ("shell_width", "1e3", "must be a number"),
        ("shell_width", "٦٨", "must be a number"),
        ("shell_width", "-68", "a shell's width must be 60 to 110 mm"),
        ("drive_hand", "lefthand", "must be one of left, right"),
        ("earliest_year", "1700", "Expected `int` >= 1880"),
        ("drive_crests", "9", "needs drive_crests_over beside it"),
        ("drive_gauge_over", "9", "needs drive_gauge_tpi or drive_gauge_mm beside it"),
        ("shell_width_tool", "ruler", "stands there without shell_width"),
        ("rear_gap", "3", "needs rear_locknut_width beside it"),
    ],
)
def test_a_cell_that_cannot_be_right_is_named_by_its_column(columns: str, cells: str, fault: str) -> None:
    content = f"old_crank;{columns}\ncottered;{cells}\n"
    (found,) = read(content.encode(), "bikes.csv")
    refused = answer(found, Workshop(), derivation=False) if isinstance(found, Bike) else found
    assert isinstance(refused, Refused)
    assert refused.faults[0].pointer == columns
    assert fault in refused.faults[0].detail


@pytest.mark.parametrize(
    ("columns", "cells", "column", "words"),
    [
        ("drive_gauge_tpi,drive_gauge_mm", "24,1", "drive_gauge_mm", "cannot stand beside drive_gauge_tpi"),
        ("cotter_distance", "113", "aim", "must say which chain line"),
        ("aim,cotter_distance", "old,113", "aim", "old needs old_chain_line"),
        ("aim,old_chain_line", "rear,42", "aim", "rear needs rear_locknut_width"),
        ("aim,stated_chain_line,old_chain_line", "stated,43,42", "old_chain_line", "is used by nothing"),
        ("cotter_distance,reference_spindle", "113,118", "reference_spindle", "cannot stand beside cotter_distance"),
        ("rings,ring_teeth", "1,46", "ring_teeth", "is used only with chainstay"),
    ],
)
def test_cells_that_do_not_go_together_are_named(columns: str, cells: str, column: str, words: str) -> None:
    (found,) = read(f"drive_hand,{columns}\nleft,{cells}\n".encode(), "bikes.csv")
    told = [fault for fault in refusal(found) if fault.pointer == column]
    assert any(words in fault.detail for fault in told), refusal(found)


def test_a_row_that_says_nothing_of_the_shell_is_refused() -> None:
    (found,) = read(b"reference,aim,stated_chain_line\nred,stated,43\n", "bikes.csv")
    assert "says nothing of the shell" in refusal(found)[0].detail
    assert isinstance(found, Refused)
    assert found.reference == "red"


def test_a_row_shorter_or_longer_than_the_header_is_refused_and_the_next_is_read() -> None:
    short, long, right = read(b"reference,shell_width\nred\nblue,68,24\ngreen,68\n", "bikes.csv")
    assert "has 1 cells and the header 2" in refusal(short)[0].detail
    assert "has 3 cells and the header 2" in refusal(long)[0].detail
    assert isinstance(right, Bike)


def test_a_quotation_mark_left_open_tells_the_lines_it_swallowed() -> None:
    (found,) = read(b'reference,shell_width\n"red,68\nblue,68\ngreen,68\n', "bikes.csv")
    assert refusal(found)[0].detail.startswith("lines 2 to 4 of the file cannot be parted into cells")


def test_a_cell_in_another_encoding_is_refused_and_the_next_row_is_read() -> None:
    wrong, right = read("reference,shell_width\nn\u00e4he,68\n".encode("latin-1") + b"red,68\n", "bikes.csv")
    assert refusal(wrong) == (Fault("reference", "is not UTF-8: save the file as CSV in UTF-8"),)
    assert isinstance(right, Bike)


def test_a_line_too_long_for_any_bicycle_is_refused_and_the_next_is_read() -> None:
    long, right = read(b'{"reference":"' + b"x" * 3_000_000 + b'"}\n' + WIDTH, "bikes.jsonl")
    assert (long.place, right.place) == ("line 1", "line 2")
    assert "longer than 1 MiB" in refusal(long)[0].detail
    assert isinstance(right, Bike)
    with pytest.raises(UnreadableError, match="longer than 1 MiB"):
        read(b"reference,shell_width\n" + b"x" * 3_000_000, "bikes.csv")


@pytest.mark.parametrize(
    ("content", "name", "places"),
    [
        (WIDTH, "bikes", ["line 1"]),
        (WIDTH * 2, "bikes.json", ["line 1", "line 2"]),
        (b"[" + WIDTH + b"," + WIDTH + b"]", "bikes", ["bike 1", "bike 2"]),
        (WIDTH.replace(b"[", b"[\n"), "bikes", ["bike 1"]),
        (b"\xef\xbb\xbf" + WIDTH, "bikes.json", ["line 1"]),
        (b"[]", "bikes.json", []),
        (b"shell_width\n68\n", "-", ["row 2"]),
    ],
)
def test_the_form_is_told_by_the_name_and_the_first_line(content: bytes, name: str, places: list[str]) -> None:
    found = read(content, name)
    assert [item.place for item in found] == places
    assert all(isinstance(item, Bike) for item in found)


def test_a_name_given_twice_in_json_is_refused_as_the_service_refuses_it() -> None:
    (found,) = read(WIDTH.replace(b'"value":68', b'"value":68,"value":73'))
    assert refusal(found) == (Fault("/evidence/0/reading/value", "is given more than once"),)


def test_every_column_has_a_name_of_its_own_and_words() -> None:
    names = list(every_name())
    assert len(names) == len(set(names))
    assert all(column.words for column in COLUMNS.values())
    needed = {name for column in COLUMNS.values() for need in column.needs for name in need.split("|")}
    assert needed <= set(COLUMNS)
    for name in names:
        found = companion(name)
        assert (found is None) == (name in COLUMNS)
        assert found is None or found[1] in COMPANIONS


def test_every_column_can_be_filled() -> None:
    """One row for each side of every either-or, all cells filled, is taken whole."""
    words = {"country": "GB", "old_crank": "cottered", "cup_fittings": "both", "threads": "sound", "cups": "sound"}
    sided = {"hand": "left", "bore": "threaded", "stamp": "1.37x24", "gauge_tpi": "24", "crests": "9"}
    values = words | {f"{side}_{name}": value for side in ("drive", "non_drive") for name, value in sided.items()}
    values |= {"earliest_year": "1950", "latest_year": "1960", "unit": "mm", "answer_unit": "in", "reference": "all"}
    values |= {"crank_model": "weir single", "crank_gtin": "4012345678901"}
    values |= {"crank_taper": "iso", "cartridge_taper": "jis", "reference_taper": "iso", "cartridge_spacer_mm": "1"}
    values |= {"rings": "2", "ring_teeth": "48 36", "sprocket_teeth": "14 16 18 20 22 24", "chain_speeds": "6"}
    values |= {"aim": "rear", "rear_sprockets": "6"}
    values |= {"rust": "light", "years_since_service": "2.5", "cup_metal": "steel", "cotter_nuts": "free"}
    lengths: dict[str, float] = {
        "shell_width": 68,
        "old_chain_line": 42,
        "rear_locknut_width": 126,
        "rear_gap": 4,
        "chainstay": 430,
    }
    lengths |= {"cotter_distance": 113, "ring_spacing": 6, "ring_thickness": 2, "shell_diameter": 41}
    lengths |= {"fixed_cup_flats": 36, "ring_gap": 7, "drive_arm_gap": 8, "non_drive_arm_gap": 8}
    for side in ("drive", "non_drive"):
        lengths |= {f"{side}_gauge_over": 9, f"{side}_crests_over": 8.5}
        lengths |= {f"{side}_cup_diameter": 34.7, f"{side}_inside_diameter": 33.8}
    for name, value in lengths.items():
        values |= {name: f"{value:g}", f"{name}_unit": "mm", f"{name}_tool": "caliper", f"{name}_plus_minus": "0.2"}
    either = {"reference_spindle", "reference_chain_line", "reference_taper", "stated_chain_line"}
    either |= {"nominal_chain_line", "rear_to_sprocket", "drive_gauge_mm", "non_drive_gauge_mm"}
    assert set(COLUMNS) - set(values) == either - {"reference_taper"}
    del values["reference_taper"]
    content = ";".join(values) + "\n" + ";".join(values.values()) + "\n"
    (found,) = read(content.encode(), "bikes.csv")
    assert isinstance(found, Bike), found
    sent = msgspec.json.encode(found.request)
    for name, value in lengths.items():
        assert f'{{"value":{float(value)},"unit":"mm","tool":"caliper","plus_minus":0.2}}'.encode() in sent, name
