"""JSON Schemas of the structs on the wire, with the words of their docstrings at each field."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import msgspec

PREFIX = "#/components/schemas/"
_ATTRIBUTE = re.compile(r"^    (\w+): ", re.MULTILINE)
_REFERENCE = "$ref"
_KINDS = {str: "string", int: "integer", bool: "boolean"}


def schemas(kinds: Iterable[Any]) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """A schema for each of ``kinds``, and the component schemas they refer to.

    >>> (reading,), components = schemas([Reading])
    >>> components["Reading"]["properties"]["unit"]["description"]
    '`mm` or `in`.'
    """
    found, components = msgspec.json.schema_components(kinds, ref_template=PREFIX + "{name}")
    for schema in components.values():
        _describe(schema)
    for schema in components.values():
        _borrow_words(schema, components)
    for schema in (*found, *components.values()):
        _settle(schema)
    return list(found), dict(sorted(components.items()))


def _describe(schema: dict[str, Any]) -> None:
    """Spread a docstring: its first part over the object, its attributes over the properties."""
    text = re.sub(r"^    ", "", schema.get("description", ""), flags=re.MULTILINE)
    head, _, rest = text.partition("\nAttributes:\n")
    schema["description"] = _plain(head.partition("\n>>>")[0])
    words = dict(_attributes(rest))
    for name, part in schema.get("properties", {}).items():
        if "description" not in part and name in words:
            part["description"] = words[name]


def _attributes(text: str) -> Iterator[tuple[str, str]]:
    """Each attribute of a docstring's section with its words."""
    section = re.split(r"\n(?=\S)", text)[0]
    pieces = _ATTRIBUTE.split(section)[1:]
    return zip(pieces[::2], map(_plain, pieces[1::2]), strict=True)


def _borrow_words(schema: dict[str, Any], components: Mapping[str, Any]) -> None:
    """Describe what the docstring leaves to a name: a word with one meaning everywhere, or the struct it holds."""
    for name, part in schema.get("properties", {}).items():
        if "description" in part:
            continue
        if name in _WORDS:
            part["description"] = _WORDS[name]
        elif _REFERENCE in part:
            part["description"] = components[part[_REFERENCE].removeprefix(PREFIX)]["description"]


_WORDS: Mapping[str, str] = {
    "kind": "Names the kind of entry.",
    "side": "Side of the bicycle.",
    "hand": "Hand of the thread.",
    "family": "Thread or bore family.",
    "drive": "Of the drive side.",
    "non_drive": "Of the non-drive side.",
    "probability": "From 0 to 1.",
    "source": "Where the facts come from.",
    "grade": "How well the facts are founded.",
}


def _plain(text: str) -> str:
    words = " ".join(text.replace("``", "`").split())
    return words[:1].upper() + words[1:]


def _settle(node: Any) -> None:  # noqa: ANN401 - any part of a schema
    """Name the type of every enumeration, and write one that has a single value as a constant."""
    if isinstance(node, Mapping):
        words = node.get("enum")
        if isinstance(words, list) and "type" not in node:
            kinds = {_KINDS[type(word)] for word in words}
            _replace_enum(node, words, kinds)
        for part in node.values():
            _settle(part)
    elif isinstance(node, list):
        for part in node:
            _settle(part)


def _replace_enum(node: Any, words: list[Any], kinds: set[str]) -> None:  # noqa: ANN401 - as _settle
    if len(kinds) == 1:
        node["type"] = kinds.pop()
    if len(words) == 1:
        del node["enum"]
        node["const"] = words[0]
