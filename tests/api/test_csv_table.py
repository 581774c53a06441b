"""Tables are the JSON in another form: they read back as they were written, run nothing, and are refused whole."""

import csv
import io
from collections.abc import Iterator
from typing import Annotated, Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.api.csv_table import Column, CsvTable, listed
from cotterline.api.csv_text import guarded, unguarded
from cotterline.api.problems import RequestRefusedError
from cotterline.bench.errors import Fault


class Tier(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something with a number and a price."""

    quantity: int
    price: str


class Tube(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A row with a cell of every kind."""

    name: Annotated[str, msgspec.Meta(min_length=1, max_length=30)]
    price: str | msgspec.UnsetType = msgspec.UNSET
    width: Annotated[float, msgspec.Meta(ge=-10, le=99)] = 0.0
    count: int = 1
    bent: bool = False
    marks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    odds: dict[str, float] = {}
    tiers: tuple[Tier, ...] = ()


class Rack(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A document."""

    place: str
    tubes: Annotated[tuple[Tube, ...], msgspec.Meta(max_length=9)]


def _bent_and_dear(rack: Rack) -> Iterator[Fault]:
    for index, tube in enumerate(rack.tubes):
        if tube.bent and tube.price:
            yield Fault(f"/tubes/{index}/price", "what is bent has no price")


TABLE = CsvTable(
    Rack,
    listed(
        "tubes",
        [
            Column("place", "text", "place", of_all=True),
            Column("name", "text", "name"),
            Column("price", "amount", "price"),
            Column("width", "number", "width"),
            Column("count", "whole", "count"),
            Column("bent", "yes_no", "bent"),
            Column("marks", "words", "marks"),
            Column("notes", "texts", "notes"),
            Column("odds", "factors", "odds"),
            Column("tiers", "steps", "tiers"),
        ],
    ),
    _bent_and_dear,
)


def refusal(text: str | bytes) -> list[dict[str, Any]]:
    raw = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(RequestRefusedError) as refused:
        TABLE.read(raw)
    assert refused.value.code == "invalid-table"
    return [msgspec.to_builtins(error) for error in refused.value.errors]


def cells(written: bytes) -> list[dict[str, str]]:
    return [*csv.DictReader(io.StringIO(written.decode(), newline=""))]


WORDS = st.text(st.characters(exclude_categories=["Cs", "Z", "C"], exclude_characters="="), min_size=1, max_size=6)
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=30).map(str.strip)
AMOUNTS = st.decimals(0, 999, places=2).map(str)
TUBES = st.builds(
    Tube,
    name=TEXTS.filter(bool),
    price=st.just(msgspec.UNSET) | AMOUNTS,
    width=st.floats(-10, 99).map(lambda value: value + 0.0),
    count=st.integers(0, 999_999),
    bent=st.just(value=False),
    marks=st.lists(WORDS, max_size=3).map(tuple),
    notes=st.lists(TEXTS.filter(bool), max_size=3).map(tuple),
    odds=st.dictionaries(WORDS, st.floats(0.01, 100), max_size=3),
    tiers=st.lists(st.builds(Tier, st.integers(1, 99), AMOUNTS), max_size=3).map(tuple),
)


@given(st.builds(Rack, place=TEXTS.filter(bool), tubes=st.lists(TUBES, min_size=1, max_size=4).map(tuple)))
def test_a_table_reads_back_as_it_was_written(rack: Rack) -> None:
    assert TABLE.read(TABLE.write(rack)) == rack


@given(TEXTS)
def test_a_guarded_text_starts_no_formula_and_comes_back(text: str) -> None:
    # OWASP, "CSV Injection": cells that begin with one of these are run by spreadsheets.
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠"))
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "＝1", "'=1"])
def test_no_cell_of_a_written_table_is_a_formula(text: str) -> None:
    for tube in (Tube(name=text), Tube(name="a", notes=(text,)), Tube(name="a", marks=(text.strip(),))):
        (row,) = cells(TABLE.write(Rack(place=text, tubes=(tube,))))
        assert [cell for cell in row.values() if cell[:1] in {"=", "+", "-", "@", "\t", "＝"}] == []


@pytest.mark.parametrize("name", ["-", "'-", "''-a", "+a", "@x"])
def test_a_factor_whose_name_looks_like_a_formula_comes_back(name: str) -> None:
    rack = Rack(place="a", tubes=(Tube(name="a", odds={name: 1.5}),))
    assert TABLE.read(TABLE.write(rack)) == rack


def test_a_negative_number_stays_a_number() -> None:
    (row,) = cells(TABLE.write(Rack(place="a", tubes=(Tube(name="b", width=-2.5),))))
    assert row["width"] == "-2.5"


def test_lines_end_as_rfc_4180_has_it_and_every_cell_is_quoted() -> None:
    written = TABLE.write(Rack(place="a;b", tubes=(Tube(name='say "x"'),))).decode()
    assert written.split("\r\n")[1].startswith('"a;b","say ""x""",')
    assert written.endswith("\r\n")


@pytest.mark.parametrize(
    "text",
    [
        "place,name,width\r\nhall,fork,7.5\r\n",
        "place;name;width\nhall;fork;7.5\n",
        "place\tname\twidth\rhall\tfork\t7.5\r",
        "\ufeffPlace , NAME,width\n\n hall,fork , 7.5\n,,\n",
        '\n"name","place","width"\n"fork","hall","7.5"',
    ],
)
def test_the_customs_of_spreadsheets_are_understood(text: str) -> None:
    assert TABLE.read(text.encode()) == Rack(place="hall", tubes=(Tube(name="fork", width=7.5),))


def test_a_line_end_inside_a_cell_is_part_of_it() -> None:
    found = TABLE.read('place,name\na,"one\r\ntwo\u2028three"\n'.encode())
    assert found.tubes[0].name == "one\r\ntwo\u2028three"


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("place,name,width\na,b,1\na,c,wide\n", [(3, "width", "must be a number such as 24 or 67.5; got 'wide'")]),
        ('place,name,width\na,b,"7,5"\n', [(2, "width", "7,5 has a decimal comma: write 7.5")]),
        ("place;name;price\na;b;12,50\n", [(2, "price", "12,50 has a decimal comma: write 12.50")]),
        ("place,name,width\na,b,120\n", [(2, "width", "Expected `float` <= 99.0")]),
        ("place,name,count\na,,3\n", [(2, "name", "is required")]),
        ("place,count\na,3\n", [(2, "name", "is required")]),
        ("place,name\na,b\na,c,d\n", [(3, None, "has 3 cells and the header 2: leave a cell empty, not out")]),
        ("place,name\na,b\n\nc,d\n", [(4, "place", "must be 'a', as in row 2")]),
        ("place,name,bent,price\na,b,yes,1\na,c,no,1\n", [(2, "price", "what is bent has no price")]),
        ("place,name,odds\na,b,rust\n", [(2, "odds", "must be names with numbers, such as rust_heavy=2.5; got 'rust'")]),  # noqa: E501 - one line a case
        ("place,name,bent\na,b,maybe\na,,no\n", [(2, "bent", "must be yes or no; got 'maybe'")]),
        ("place,nome\na,b\n", [(1, None, "there is no column 'nome'; name is one")]),
        ("place,name,name\na,b,c\n", [(1, None, "column name stands there twice")]),
        ("name\nb\n", [(None, "place", "is required")]),
        ("", [(None, None, "there is no header: the first row names the columns")]),
    ],
)  # fmt: skip
def test_a_table_with_a_bad_row_is_refused_by_row_and_column(
    text: str, faults: list[tuple[int | None, str | None, str]]
) -> None:
    found = [(error.get("row"), error.get("column"), error["detail"]) for error in refusal(text)]
    assert found == faults


def test_a_quotation_mark_left_open_is_told_by_its_lines() -> None:
    (fault,) = refusal('place,name\na,b\na,"c\nd,e\n')
    assert fault["row"] == 3
    assert "lines 3 to 4" in fault["detail"]


def test_what_is_not_utf_8_is_told_so() -> None:
    assert "UTF-8" in refusal("place,name\na,b\na,caf\xe9\n".encode("latin-1"))[0]["detail"]
    assert "UTF-16" in refusal("place,name\n".encode("utf-16"))[0]["detail"]


def test_no_more_than_a_hundred_faults_are_told() -> None:
    assert len(refusal("place,name,width\n" + "a,b,c\n" * 300)) == 100


def test_a_fault_of_the_whole_document_points_into_it() -> None:
    rows = "a,b\n" * 10
    assert refusal(f"place,name\n{rows}") == [{"pointer": "/tubes", "detail": "Expected `array` of length <= 9"}]
