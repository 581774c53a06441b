"""Cells of a CSV table: how each kind of value is spelled, read and written."""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final, Literal, NamedTuple

from cotterline.api.csv_text import guarded, unguarded

Cell = Literal["text", "amount", "number", "whole", "yes_no", "words", "texts", "factors", "steps"]

_SHOWN: Final = 40
_DECIMAL_COMMA: Final = re.compile(r"-?[0-9]+,[0-9]+")
_NUMBER: Final = r"-?[0-9]{1,15}(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,3})?"
_AMOUNT: Final = r"-?[0-9]{1,12}(\.[0-9]{1,6})?"
_WORD: Final = r"[^\s=]+"
_TEXT: Final = re.compile(r"(?:[^\\|]|\\[\s\S])+")
"""One of several texts: a bar parts them, and a backslash before a bar or a backslash makes it part of the text."""

_YES: Final = {"yes": True, "no": False, "true": True, "false": False}


class Spelling(NamedTuple):
    """One kind of cell: what it looks like, how it is read, how it is written, and the words for one that is wrong."""

    pattern: re.Pattern[str]
    read: Callable[[str], Any]
    write: Callable[[Any], str]
    words: str


def _number(text: str) -> float:
    return int(text) if text.lstrip("-").isdigit() else float(text)


def _of_number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(value)


def _texts(text: str) -> list[str]:
    return [re.sub(r"\\([\s\S])", r"\1", part.strip()) for part in _TEXT.findall(unguarded(text))]


def _of_texts(values: list[str]) -> str:
    return guarded(" | ".join(re.sub(r"[\\|]", r"\\\g<0>", value) for value in values))


def _factors(text: str) -> dict[str, float]:
    return {name: _number(value) for name, value in (pair.split("=") for pair in unguarded(text).split())}


def _of_factors(values: Mapping[str, float]) -> str:
    return guarded(" ".join(f"{name}={_of_number(value)}" for name, value in values.items()))


def _steps(text: str) -> list[dict[str, Any]]:
    return [
        {"quantity": int(quantity), "price": price} for quantity, price in (step.split("=") for step in text.split())
    ]


def _of_steps(values: list[dict[str, Any]]) -> str:
    return " ".join(f"{step['quantity']}={step['price']}" for step in values)


def _several(one: str) -> re.Pattern[str]:
    return re.compile(rf"{one}(\s+{one})*")


SPELLINGS: Final[Mapping[Cell, Spelling]] = {
    "text": Spelling(re.compile(r"[\s\S]*"), unguarded, guarded, ""),
    "amount": Spelling(re.compile(_AMOUNT), str, str, "an amount such as 12.50"),
    "number": Spelling(re.compile(_NUMBER), _number, _of_number, "a number such as 24 or 67.5"),
    "whole": Spelling(re.compile(r"-?[0-9]{1,9}"), int, str, "a whole number such as 24"),
    "yes_no": Spelling(
        re.compile("|".join(_YES)), _YES.__getitem__, {True: "yes", False: "no"}.__getitem__, "yes or no"
    ),
    "words": Spelling(
        _several(_WORD),
        lambda text: unguarded(text).split(),
        lambda names: guarded(" ".join(names)),
        "names with blanks between",
    ),
    "texts": Spelling(re.compile(r"[\s\S]*"), _texts, _of_texts, ""),
    "factors": Spelling(
        _several(rf"{_WORD}={_NUMBER}"), _factors, _of_factors, "names with numbers, such as rust_heavy=2.5"
    ),
    "steps": Spelling(
        _several(rf"[0-9]{{1,9}}={_AMOUNT}"), _steps, _of_steps, "quantities with prices, such as 1=9.00 10=7.50"
    ),
}


def read(cell: Cell, text: str) -> Any:  # noqa: ANN401 - a value of JSON
    """The value in a cell.

    Raises:
        ValueError: with words for what is wrong with its spelling.

    >>> read("steps", "1=9.00 10=7.50")
    [{'quantity': 1, 'price': '9.00'}, {'quantity': 10, 'price': '7.50'}]
    """
    spelling = SPELLINGS[cell]
    if spelling.pattern.fullmatch(text):
        return spelling.read(text)
    shown = text[:_SHOWN]
    if _DECIMAL_COMMA.fullmatch(text):
        raise ValueError(f"{shown} has a decimal comma: write {shown.replace(',', '.')}")
    raise ValueError(f"must be {spelling.words}; got {shown!r}")


def write(cell: Cell, value: Any) -> str:  # noqa: ANN401 - a value of JSON
    r"""A value as a cell; what is left out, and what is empty, is an empty cell.

    >>> write("texts", ["vice", "a | b"]), write("number", 7.0), write("text", "=1")
    ('vice | a \\| b', '7', "'=1")
    """
    return "" if value is None or value in ("", [], {}) else SPELLINGS[cell].write(value)
