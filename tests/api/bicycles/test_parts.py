"""Parts of an upload: read one by one they say what the whole says, whatever pieces the upload came in."""

from codecs import BOM_UTF8
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.api.bicycles.bike import MAX_BYTES, NOTHING, Bike, LeftOut, Refused, UnreadableError
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.bicycles.bikes_json import bikes_by_line
from cotterline.api.bicycles.parts import AT_THE_BEGINNING, MOST_BICYCLES, Cutter
from cotterline.api.quote_streams import lines_of
from cotterline.store.quote_run_inputs import LeftOver, unpacked
from cotterline.store.quote_run_parts import Intake, NewPart
from cotterline.store.quote_runs import BicycleForm

FIXTURES = Path(__file__).parents[3] / "demo_fixtures"
HEADER = b"reference,shell_width,drive_gauge_tpi"
Reader = Callable[[Iterator[bytes], LeftOut], Iterator[Bike | Refused]]
READERS: Mapping[BicycleForm, Reader] = {"json_lines": bikes_by_line, "csv": bikes_by_row}
FORMS: Sequence[BicycleForm] = ("json_lines", "csv")


def streamed(form: BicycleForm, upload: bytes) -> list[Bike | Refused]:
    """What a reader of the whole sees."""
    pieces = iter([upload, None])
    return list(READERS[form](lines_of(lambda: next(pieces)), NOTHING))


def cut(form: BicycleForm, pieces: Sequence[bytes]) -> list[Intake]:
    """Cut an upload, beginning anew with what is kept before each piece, as after a crash."""
    taken: list[Intake] = []
    for number, piece in enumerate(pieces, start=1):
        left = taken[-1].left if taken else AT_THE_BEGINNING
        taken.append(Cutter(form, left).take(piece, last=number == len(pieces)))
    return taken


def parts_of(form: BicycleForm, pieces: Sequence[bytes]) -> tuple[list[NewPart], LeftOver]:
    taken = cut(form, pieces)
    return [part for each in taken for part in each.parts], taken[-1].left


def read(form: BicycleForm, part: NewPart, heading: bytes) -> list[Bike | Refused]:
    lines = chain(heading.splitlines(keepends=True), lines_in(unpacked(part.question)))
    return list(READERS[form](iter(lines), LeftOut(part.lines_before, part.records_before)))


def lines_in(data: bytes) -> Iterable[bytes]:
    *whole, rest = data.split(b"\n")
    return [*(line + b"\n" for line in whole), *([rest] if rest else [])]


def check(form: BicycleForm, upload: bytes, pieces: Sequence[bytes]) -> list[NewPart]:
    """See that parts say what the whole says, each no more than it may."""
    parts, left = parts_of(form, pieces)
    found = [read(form, part, left.heading) for part in parts]
    assert [item for part in found for item in part] == streamed(form, upload)
    assert [part.bicycles for part in parts] == [len(part) for part in found]
    assert all(1 <= part.bicycles <= MOST_BICYCLES for part in parts)
    assert all(len(unpacked(part.question)) <= MAX_BYTES + 2 for part in parts)
    return parts


def in_pieces(upload: bytes, sizes: Sequence[int]) -> list[bytes]:
    pieces, at = [], 0
    for size in sizes:
        pieces.append(upload[at : at + size])
        at += size
    return [*pieces, upload[at:]]


SIZES = st.lists(st.integers(0, 40), max_size=8)
MARKS = (b'"', b'""', b",", b";", b"\n", b"\r\n", b"\r", b"\t", b" ")
CELLS = st.sampled_from([b"a", b"68", *MARKS, b"\xff", b"\0", BOM_UTF8, b"\xc2\x85", b"\x0b"])
LINES = st.sampled_from([b"{}", b"[", b"\n", b"\n\n", b"\r\n", b" ", b'"', b"\xff", BOM_UTF8, b"\x0c", b"\x85", b"\0"])


@given(st.lists(LINES, max_size=30).map(b"".join), SIZES)
def test_parts_of_lines_say_what_the_whole_says(upload: bytes, sizes: list[int]) -> None:
    check("json_lines", upload, in_pieces(upload, sizes))


@given(st.sampled_from([b"", BOM_UTF8, b"\n", b"\r\n\n"]), st.lists(CELLS, max_size=40).map(b"".join), SIZES)
def test_parts_of_rows_say_what_the_whole_says(above: bytes, rows: bytes, sizes: list[int]) -> None:
    upload = above + HEADER + b"\n" + rows
    check("csv", upload, in_pieces(upload, sizes))


@given(st.lists(CELLS, max_size=40).map(b"".join), SIZES)
def test_a_table_without_a_header_is_refused_as_the_whole_is(upload: bytes, sizes: list[int]) -> None:
    said: list[object] = []
    for work in (lambda: streamed("csv", upload), lambda: parts_of("csv", in_pieces(upload, sizes))[0]):
        try:
            said.append(work() == [])
        except UnreadableError as error:
            said.append(str(error))
    assert said[0] == said[1]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("size", [1, 7, 1000, 1 << 20])
def test_parts_do_not_depend_on_the_pieces(form: BicycleForm, size: int) -> None:
    upload = many(form, 600)
    pieces = [upload[at : at + size] for at in range(0, len(upload), size)]
    assert parts_of(form, pieces)[0] == parts_of(form, [upload])[0]


def many(form: BicycleForm, bicycles: int) -> bytes:
    if form == "csv":
        return HEADER + b"\n" + b"".join(b'"hook\n%d",68,24\n' % n for n in range(bicycles))
    return b"".join(b'{"evidence":[],"reference":"hook %d"}\n\n' % n for n in range(bicycles))


@pytest.mark.parametrize("form", FORMS)
def test_a_part_is_full_with_so_many_bicycles(form: BicycleForm) -> None:
    upload = many(form, 2 * MOST_BICYCLES + 1)
    assert [part.bicycles for part in check(form, upload, [upload])] == [MOST_BICYCLES, MOST_BICYCLES, 1]
    assert [len(each.parts) for each in cut(form, [upload[:-1], upload[-1:], b""])] == [2, 0, 1]


def test_a_part_is_full_with_a_mebibyte() -> None:
    line = b'{"reference":"' + b"x" * (MAX_BYTES // 3) + b'"}\n'
    assert [part.bicycles for part in check("json_lines", line * 5, [line * 5])] == [2, 2, 1]


@pytest.mark.parametrize("beyond", [-1, 0, 1, 2, 3 * MAX_BYTES])
@pytest.mark.parametrize("fill", [b"x", b" "])
@pytest.mark.parametrize("end", [b"\n", b"\n[\n", b""])
def test_a_line_that_is_too_long_is_cut_off_and_refused_in_its_place(beyond: int, fill: bytes, end: bytes) -> None:
    upload = b"[\n" + fill * (MAX_BYTES + beyond) + end
    for size in (len(upload), 100_000, MAX_BYTES + 3):
        check("json_lines", upload, [upload[at : at + size] for at in range(0, len(upload), size)])


def test_what_is_held_of_a_line_without_an_end_does_not_grow() -> None:
    cutter = Cutter("json_lines")
    kept = [cutter.take(b"[" * MAX_BYTES, last=False).left.left_over for _ in range(5)]
    assert max(map(len, kept)) < MAX_BYTES
    assert len({len(unpacked(each)) for each in kept[2:]}) == 1


@pytest.mark.parametrize("row", [b"x" * (MAX_BYTES + 1), b'"x\n",' * (MAX_BYTES // 5 + 9)])
@pytest.mark.parametrize("ending", [b"", b"\n"])
def test_a_row_that_is_too_long_ends_the_upload_as_it_ends_the_stream(row: bytes, ending: bytes) -> None:
    upload = HEADER + b"\n" + row + ending
    with pytest.raises(UnreadableError, match="longer than 1 MiB") as refused:
        streamed("csv", upload)
    for last in (True, False):
        with pytest.raises(UnreadableError) as cut_short:
            Cutter("csv").take(upload, last=last)
        assert str(cut_short.value) == str(refused.value)


def test_a_quotation_mark_left_open_swallows_as_much_as_in_the_stream() -> None:
    # A field of more than 131072 characters is an error of Python's reader, and the next line a row again.
    upload = HEADER + b'\n"open\n' + b"a,68,24\n" * 40_000
    parts = check("csv", upload, [upload[:70_000], upload[70_000:]])
    assert isinstance(first := read("csv", parts[0], HEADER + b"\n")[0], Refused)
    assert "lines 2 to " in first.reasons[0]


def test_rows_may_be_longer_than_a_mebibyte_together() -> None:
    upload = HEADER + b"\n" + (b"x" * (MAX_BYTES // 2) + b",68,24\n") * 3
    assert [part.bicycles for part in check("csv", upload, [upload])] == [1, 1, 1]


def test_a_line_that_is_named_within_a_later_part_is_the_line_of_the_upload() -> None:
    upload = many("csv", MOST_BICYCLES) + b'"a"b,68,24\n'
    (refused,) = [each for each in streamed("csv", upload) if isinstance(each, Refused)]
    assert f"line {2 * MOST_BICYCLES + 2} of the file" in refused.reasons[0]
    check("csv", upload, [upload])


@pytest.mark.parametrize(
    ("form", "upload"),
    [
        ("csv", HEADER),
        ("csv", HEADER + b"\n"),
        ("csv", b""),
        ("csv", b"\n\n"),
        ("json_lines", b""),
        ("json_lines", b"\n"),
    ],
)
def test_an_upload_of_no_bicycles_makes_no_part(form: BicycleForm, upload: bytes) -> None:
    for size in (1, 9, 1000):
        parts, left = parts_of(form, [*(upload[at : at + size] for at in range(0, len(upload), size)), b""])
        assert parts == []
        assert left.heading == (upload if upload.strip() else b"")


def test_bicycles_of_the_demonstration_are_read_alike_from_parts() -> None:
    table = (FIXTURES / "bikes.csv").read_bytes()
    (part,) = check("csv", table, in_pieces(table, [100, 3, 1000]))
    assert part.bicycles == len(streamed("csv", table))
