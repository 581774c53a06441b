"""JSON Schemas of the structs on the wire, with the words of their docstrings at each field."""

import inspect
import re
from collections.abc import Iterable, Iterator, Mapping
from importlib.resources import files
from typing import Any, get_args

import msgspec
from msgspec import UnsetType

from cotterline.api.named_schemas import PREFIX, name_shared

_ATTRIBUTE = re.compile(r"^    (\w+): ", re.MULTILINE)
_REFERENCE = "$ref"
_KINDS = {str: "string", int: "integer", bool: "boolean"}


def schemas(kinds: Iterable[Any]) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """A schema for each of ``kinds``, and the component schemas they refer to.

    >>> from cotterline.bench.quantity import Reading
    >>> (reading,), components = schemas([Reading])
    >>> components["Reading"]["properties"]["unit"]["description"]
    '`mm` or `in`.'
    """
    kinds = [*kinds]
    found, components = msgspec.json.schema_components(kinds, ref_template=PREFIX + "{name}")
    for struct in structs(kinds):
        _describe(components[struct.__name__], struct)
    for schema in components.values():
        _borrow_words(schema, components)
    name_shared(found, components)
    for schema in (*found, *components.values()):
        settle(schema)
    return list(found), dict(sorted(components.items()))


def structs(kinds: Iterable[Any]) -> set[type[msgspec.Struct]]:
    """Every struct reached from ``kinds``.

    >>> from cotterline.bench.quantity import Reading
    >>> structs([list[Reading] | None]) == {Reading}
    True
    """
    found: set[type[msgspec.Struct]] = set()
    waiting = [*kinds]
    while waiting:
        kind = waiting.pop()
        if not (isinstance(kind, type) and issubclass(kind, msgspec.Struct)):
            waiting += get_args(kind)
        elif kind not in found:
            found.add(kind)
            waiting += [field.type for field in msgspec.structs.fields(kind)]
    return found


def _describe(schema: dict[str, Any], struct: type[msgspec.Struct]) -> None:
    """Spread docstrings: the struct's first part over the object, its and its bases' attributes over the members.

    A member that may be left out of an answer is not required, though the struct has no default for it.
    """
    schema["description"] = _plain(re.split(r"\nAttributes:\n|\n>>>", _text(struct))[0])
    words: dict[str, str] = {}
    for base in reversed(struct.__mro__):
        words |= dict(_attributes(_text(base).partition("\nAttributes:\n")[2]))
    for name, part in schema.get("properties", {}).items():
        if "description" not in part and name in words:
            part["description"] = words[name]
    optional = {field.encode_name for field in msgspec.structs.fields(struct) if UnsetType in get_args(field.type)}
    schema["required"] = [name for name in schema["required"] if name not in optional]


def _text(struct: type) -> str:
    return inspect.cleandoc(struct.__dict__.get("__doc__") or "")


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
        words = _WORDS.get(f"{schema['title']}.{name}") or _WORDS.get(name)
        if words:
            part["description"] = words
        elif _REFERENCE in part:
            part["description"] = components[part[_REFERENCE].removeprefix(PREFIX)]["description"]


_WORDS = msgspec.toml.decode(files("cotterline.api").joinpath("words.toml").read_bytes(), type=dict[str, str])


def _plain(text: str) -> str:
    words = " ".join(text.replace("``", "`").split())
    return words[:1].upper() + words[1:]


def settle(node: Any) -> None:  # noqa: ANN401 - any part of a schema
    """Name the type of every enumeration, and write one that has a single value as a constant.

    A tuple whose items are all alike is written as a list of that length: generators of clients know no other.
    """
    if isinstance(node, dict):
        _replace_tuple(node)
        words = node.get("enum")
        if isinstance(words, list) and "type" not in node:
            kinds = {_KINDS[type(word)] for word in words}
            _replace_enum(node, words, kinds)
        for part in node.values():
            settle(part)
    elif isinstance(node, list):
        for part in node:
            settle(part)


def _replace_tuple(node: dict[str, Any]) -> None:
    items = node.get("prefixItems")
    if isinstance(items, list) and node.get("items") is False and items.count(items[0]) == len(items):
        del node["prefixItems"]
        node["items"] = items[0]


def _replace_enum(node: dict[str, Any], words: list[Any], kinds: set[str]) -> None:
    if len(kinds) == 1:
        node["type"] = kinds.pop()
    if len(words) == 1:
        del node["enum"]
        node["const"] = words[0]
