"""Every text that people may be shown, collected from where it is written; and what a language's catalogue lacks of it.

``python -m tests.documents.catalogue fr`` lists what ``fr.po`` still lacks, ready to be pasted into it and translated.
"""

import ast
import sys
import tomllib
from collections.abc import Iterator
from importlib import import_module
from importlib.resources import files
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from jinja2.ext import extract_from_ast

from cotterline.documents.templates import ENVIRONMENT

PACKAGE = Path(str(files("cotterline")))
TABLES = {
    "cotterline.documents.customer_estimates": ("TROUBLES", "CLOSED", "SINCE", "NOTICES", "BILL_WORDS"),
    "cotterline.documents.words": (
        "SIDES",
        "SIDES_OF_THE_BICYCLE",
        "HANDS",
        "TURNS",
        "TOOLS",
        "MEASUREMENTS",
        "OBSERVED",
        "LEAVES",
        "LOOKS",
        "STATES",
        "UNMET",
        "PLAIN",
        "MISSING",
        "MISSING_LINE",
        "TORQUES",
        "LINE_READINGS",
        "TERMS",
        "AIMS",
    ),
}
"""Constants that hold words, by module; none of them holds anything else that is text."""

SHOWN: dict[str, tuple[str, ...]] = {
    "cautions": ("caution.*.text",),
    "spindle_cautions": ("cautions.*",),
    "measurements": ("measurement.*.how",),
    "families": ("family.*.name", "family.*.designation"),
    "labour_book": (
        "operations.*.name",
        "operations.*.tools.*",
        "contingencies.*.name",
        "contingencies.*.question",
    ),
    "job_reasons": ("because.*", "option.*.name", "option.*.reasons.*.why"),
    "notices": ("notice.*.text",),
    "parts": (
        "crank_bolts.name",
        "spacer.name",
        "consumables.*.name",
        "consumables.*.purpose",
        "tools.*.name",
        "tools.*.purpose",
        "torques.*.note",
        "blockers.*",
    ),
}
"""Texts of the data files in ``bench/data/`` that travel in results, by path."""


def texts() -> set[str]:
    """Return every text that can be shown, in English."""
    return {text for text in (*_said(), *_in_templates(), *_in_tables(), *_in_data()) if text}


def catalogue(language: str) -> Catalog:
    """Read a language's catalogue; an empty one where there is none."""
    path = PACKAGE / "documents" / "languages" / f"{language}.po"
    return read_po(BytesIO(path.read_bytes() if path.exists() else b""), locale=language)


def lacking(language: str) -> list[str]:
    """Return what a language's catalogue has no words for, in order."""
    told = {message.id for message in catalogue(language) if message.id and message.string}
    return sorted(texts() - told)


def _said() -> Iterator[str]:
    """Yield the literals that ``say`` is called with."""
    for place in ("documents", "api"):
        for path in (PACKAGE / place).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Call) and _named(node.func) == "say":
                    yield from _literals(node.args[0])


def _named(function: ast.expr) -> str:
    return str(getattr(function, "attr", None) or getattr(function, "id", ""))


def _literals(argument: ast.expr) -> Iterator[str]:
    """Yield the text itself, or each of those that one is chosen from."""
    if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
        yield argument.value
    if isinstance(argument, ast.IfExp):
        yield from _literals(argument.body)
        yield from _literals(argument.orelse)


def _in_templates() -> Iterator[str]:
    for name in ENVIRONMENT.list_templates(extensions=["html", "svg"]):
        source = (PACKAGE / "documents" / "templates" / name).read_text("utf-8")
        for _, _, found in extract_from_ast(ENVIRONMENT.parse(source), ("say",)):
            text = found[0] if isinstance(found, tuple) else found
            if text is not None:
                yield text


def _in_tables() -> Iterator[str]:
    for module, names in TABLES.items():
        for name in names:
            yield from _strings(getattr(import_module(module), name))


def _strings(value: Any) -> Iterator[str]:  # noqa: ANN401 - a table of any shape
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for each in value.values():
            yield from _strings(each)
    elif isinstance(value, tuple):
        for each in value:
            yield from _strings(each)


def _in_data() -> Iterator[str]:
    for name, paths in SHOWN.items():
        document = tomllib.loads((PACKAGE / "bench" / "data" / f"{name}.toml").read_text("utf-8"))
        for path in paths:
            yield from _at(document, path.split("."))


def _at(node: Any, path: list[str]) -> Iterator[str]:  # noqa: ANN401 - any part of a document
    if not path:
        yield node
    elif path[0] == "*":
        for each in node.values() if isinstance(node, dict) else node:
            yield from _at(each, path[1:])
    elif path[0] in node:
        yield from _at(node[path[0]], path[1:])


def main(language: str) -> None:
    """Print what a language lacks as entries of a PO file."""
    for text in lacking(language):
        quoted = text.replace("\\", "\\\\").replace('"', '\\"')
        sys.stdout.write(f'msgid "{quoted}"\nmsgstr ""\n\n')


if __name__ == "__main__":
    main(sys.argv[1])
