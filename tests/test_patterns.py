"""No pattern backtracks without bound."""

import ast
import multiprocessing
import re
import resource
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any, Final, NamedTuple

import pytest

SOURCE: Final = Path(__file__).parents[1] / "service"
LONG: Final = 20_000
"""What takes time that grows with the square of this takes seconds for one text, what grows faster never ends."""

SECONDS: Final = 2
"""Of a processor, which a busy machine does not stretch, for all texts: ten times what a pattern takes."""

SEARCHES: Final = frozenset({"search", "findall", "finditer", "sub", "split"})
MAKES: Final = SEARCHES | {"compile", "match", "fullmatch"}
BOUNDED: Final[dict[str, str]] = {
    r"(\.\d*?)0+(?=x|(?![\s\S]))": "over a stamp of 40 characters at most",
    r"{(\w+):": "over our own paths",
}
"""Patterns that do, and why they may."""

BUILT: Final[dict[str, str]] = {
    "f'{one}(\\\\s+{one})*'": r"[^\s=]+=-?[0-9]{1,15}(\.[0-9]{1,25})?(\s+[^\s=]+=-?[0-9]{1,15}(\.[0-9]{1,25})?)*",
    "'|'.join(map(re.escape, get_args(kind)))": "live|test",
    "pattern": r"^(0|[1-9][0-9]{0,14})(?![\s\S])",
}
"""What is put together where it stands, and what comes of it at its worst."""

PUMPS: Final = [*"0aAfZ .,;:\"'\\|=-_/*[]{}\t\n\r\x00%", "a ", "1=1 ", '"a", ', "W/", '"",', "\\|", "00.", "a=1 ", ", "]
"""What a text is made of, over and over."""


class Pattern(NamedTuple):
    """One pattern of the source."""

    text: str
    is_bytes: bool
    searched: bool
    where: str


def patterns() -> Iterator[Pattern]:
    """Every pattern there is, be it compiled, used at once, or part of a schema, which searches."""
    for path in sorted(SOURCE.rglob("*.py")):
        module = ".".join(path.relative_to(SOURCE).with_suffix("").parts).removesuffix(".__init__")
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call):
                yield from _in(node, module)


def _in(call: ast.Call, module: str) -> Iterator[Pattern]:
    of_re = (
        isinstance(call.func, ast.Attribute) and isinstance(call.func.value, ast.Name) and call.func.value.id == "re"
    )
    if of_re and call.args and isinstance(call.func, ast.Attribute) and call.func.attr in MAKES:
        yield _pattern(call.args[0], module, searched=call.func.attr in SEARCHES)
    for keyword in call.keywords:
        if keyword.arg == "pattern" and not isinstance(keyword.value, ast.Constant | ast.Name):
            raise AssertionError(f"{module} has a pattern that is not written out")
        if keyword.arg == "pattern":
            yield _pattern(keyword.value, module, searched=True)


def _pattern(node: ast.expr, module: str, *, searched: bool) -> Pattern:
    try:
        found = eval(compile(ast.Expression(node), module, "eval"), vars(import_module(module)))  # noqa: S307 - our own source
    except NameError:
        found = BUILT.get(ast.unparse(node), "") or node
    if not isinstance(found, str | bytes):
        return Pattern("", is_bytes=False, searched=searched, where=f"{module}: {ast.unparse(node)}")
    text = found.decode() if isinstance(found, bytes) else found
    return Pattern(text, isinstance(found, bytes), searched, module)


ALL: Final = sorted({pattern for pattern in patterns() if pattern.text not in BOUNDED})


def attacks(pattern: str) -> Iterator[str]:
    """Long texts that nearly fit: a beginning, something over and over, and an end that fits nothing."""
    heads = {"", ".", '"', "'", "1", "a", "-", "[", "=", "bearer ", "{", *re.findall(r"[A-Za-z0-9_:/.]{2,}", pattern)}
    for head in heads:
        for pump in PUMPS:
            yield head + pump * (LONG // len(pump)) + "\x01"


def _tried(pattern: Pattern) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    compiled: re.Pattern[Any] = re.compile(pattern.text.encode() if pattern.is_bytes else pattern.text)
    for text in attacks(pattern.text):
        given = text.encode() if pattern.is_bytes else text
        compiled.search(given) if pattern.searched else compiled.fullmatch(given)


def test_every_pattern_is_found() -> None:
    assert len(ALL) > 50
    assert [pattern.where for pattern in ALL if not pattern.text] == [], "name what it comes to in BUILT"


@pytest.mark.parametrize("pattern", ALL, ids=lambda pattern: f"{pattern.where}-{pattern.text[:30]!r}")
def test_no_pattern_takes_longer_than_its_text(pattern: Pattern) -> None:
    assert _ends(pattern)


@pytest.mark.parametrize("text", ["(a+)+", "a*a*b", r"\s+,", *list(BOUNDED)[:1]])
def test_a_pattern_that_does_is_found(text: str) -> None:
    assert not _ends(Pattern(text, is_bytes=False, searched=text != "(a+)+", where=""))


def _ends(pattern: Pattern) -> bool:
    """Whether it comes to an end, tried in a process that is ended where it does not."""
    trying = multiprocessing.get_context("fork").Process(target=_tried, args=(pattern,))
    trying.start()
    trying.join()
    return trying.exitcode == 0
