"""CSV as text (RFC 4180, or with semicolons or tabs): records in, and rows out that no spreadsheet runs as formulas."""

import csv
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from difflib import get_close_matches
from itertools import chain, islice
from typing import Any, Final

from cotterline.bench.errors import Fault

DELIMITERS: Final = ",;\t"
_SHOWN: Final = 40
_TOLD: Final = 20
"""Names that are told of: a header can be a megabyte long, and finding what was meant takes its time for each."""

_FORMULA: Final = re.compile(r"'*[=+\-@\t\r＝＋－＠]")
"""What a spreadsheet may run as a formula, or what was written so that it does not."""


def records(lines: Iterable[str], left_out: int = 0) -> Iterator[list[str] | Fault]:
    r"""The records of a text, or what keeps one from being parted into cells; the first line tells the delimiter.

    Args:
        lines: of the text.
        left_out: how many lines of the file are not among those behind the header, to name lines as the file has them.

    >>> list(records(["a;b\n", "1;x,y\n"]))
    [['a', 'b'], ['1', 'x,y']]
    """
    text = iter(lines)
    head = [*_up_to_the_header(text)]
    if not head:
        return
    reader = csv.reader(chain(head, text), delimiter=max(DELIMITERS, key=head[-1].count), strict=True)
    yield from _parted(reader, left_out)


def _up_to_the_header(text: Iterator[str]) -> Iterator[str]:
    for line in text:
        yield line
        if line.strip():
            return


def _parted(reader: Any, left_out: int) -> Iterator[list[str] | Fault]:  # noqa: ANN401 - the type of csv.reader has no public name
    while True:
        begun = left_out + reader.line_num + 1
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            ended = left_out + reader.line_num
            lines = f"line {begun}" if ended <= begun else f"lines {begun} to {ended}"
            yield Fault(
                "", f"{lines} of the file cannot be parted into cells ({error}): is a quotation mark left open?"
            )


def is_utf_8(text: str) -> bool:
    r"""Whether every byte that the text was read from was UTF-8, where others were read as marks (PEP 383).

    >>> is_utf_8("Fähre"), is_utf_8(b"F\xe4hre".decode(errors="surrogateescape"))
    (True, False)
    """
    return not any("\udc80" <= character <= "\udcff" for character in text)


def names_of(record: Sequence[str]) -> list[str]:
    """The names in a header, freed of blanks and capitals."""
    return [cell.strip().lower() for cell in record]


def wrong_names(names: Sequence[str], known: Iterable[str]) -> list[str]:
    """What is wrong with the names in a header, in words.

    >>> wrong_names(["name", "role", "rolle", "role"], ["name", "role"])
    ["there is no column 'rolle'; role is one", 'column role stands there twice']
    """
    there = set(known)
    wrong = [_unknown(name, there) for name in islice((name for name in names if name not in there), _TOLD)]
    twice = sorted(name for name, times in Counter(names).items() if times > 1)
    return wrong + [f"column {name[:_SHOWN]} stands there twice" for name in twice[:_TOLD]]


def _unknown(name: str, known: Iterable[str]) -> str:
    if not name:
        return "a column of the header has no name"
    meant = get_close_matches(name, known, n=1)
    return f"there is no column {name[:_SHOWN]!r}" + (f"; {meant[0]} is one" if meant else "")


class _Lines(list[str]):
    """What a csv.writer writes to."""

    def write(self, line: str) -> None:
        """Take a line."""
        self.append(line)


def written(rows: Iterable[Sequence[str]]) -> str:
    r"""Rows as RFC 4180 has them, every cell in quotation marks, so that any spreadsheet parts them alike.

    >>> written([["a", "b"], ["1", 'say "x" twice']])
    '"a","b"\r\n"1","say ""x"" twice"\r\n'
    """
    lines = _Lines()
    csv.writer(lines, quoting=csv.QUOTE_ALL).writerows(rows)
    return "".join(lines)


def guarded(text: str) -> str:
    """The text as a cell that no spreadsheet runs: an apostrophe goes before what could be a formula.

    >>> guarded("=1+1"), guarded("'=1+1"), guarded("axle")
    ("'=1+1", "''=1+1", 'axle')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    """The text that :func:`guarded` made this cell from.

    >>> unguarded("'=1+1"), unguarded("'tis"), unguarded("=1+1")
    ('=1+1', "'tis", '=1+1')
    """
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
