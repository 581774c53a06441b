"""Every way a JSON value fails to fit a type, each with its JSON pointer (RFC 6901), not only the first."""

import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec

from cotterline.bench.errors import Fault

_MAX_NAME = 100


def member(pointer: str, name: str | int) -> str:
    """``pointer`` extended by one reference token.

    >>> member("/a", "b/c~d")
    '/a/b~1c~0d'
    """
    return f"{pointer}/{str(name).replace('~', '~0').replace('/', '~1')}"


def faults_in(value: Any, kind: Any, pointer: str) -> Iterator[Fault]:  # noqa: ANN401 - any JSON value, any annotation
    """Yield what keeps ``value`` from being a ``kind``.

    >>> list(faults_in({"pointer": 1, "words": ""}, Fault, ""))  # doctest: +NORMALIZE_WHITESPACE
    [Fault(pointer='/words', detail='is not a known field'),
     Fault(pointer='/pointer', detail='Expected `str`, got `int`'),
     Fault(pointer='/detail', detail='is required')]
    """
    choices = _choices(kind)
    structs = [choice for choice in choices if isinstance(choice, type) and issubclass(choice, msgspec.Struct)]
    if isinstance(value, dict) and structs:
        yield from _object_faults(value, structs, pointer)
    elif isinstance(value, dict) and (kinds := _mapping_kinds(choices)) is not None:
        yield from _leaf_faults(value, _without_entries(kind), pointer)
        for name, entry in value.items():
            yield from _leaf_faults(name, kinds[0], member(pointer, name))
            yield from faults_in(entry, kinds[1], member(pointer, name))
    elif isinstance(value, list) and (item := _item_kind(choices)) is not None:
        yield from _leaf_faults(value, _without_items(kind), pointer)
        for index, entry in enumerate(value):
            yield from faults_in(entry, item, member(pointer, index))
    else:
        yield from _leaf_faults(value, kind, pointer)


def _choices(kind: Any) -> list[Any]:  # noqa: ANN401 - any annotation
    """The alternatives of a union, freed of their annotations; a single type is its own only one."""
    origin = get_origin(kind)
    if origin is Annotated:
        return _choices(get_args(kind)[0])
    if origin in {Union, types.UnionType}:
        return [choice for part in get_args(kind) for choice in _choices(part)]
    return [kind]


def _item_kind(choices: list[Any]) -> Any:  # noqa: ANN401 - any annotation
    return next((get_args(choice)[0] for choice in choices if get_origin(choice) in {list, tuple}), None)


def _mapping_kinds(choices: list[Any]) -> tuple[Any, Any] | None:
    """The types of names and values, where a mapping is one of the alternatives."""
    return next((get_args(choice) for choice in choices if get_origin(choice) is dict), None)


def _without_entries(kind: Any) -> Any:  # noqa: ANN401 - any annotation
    """A mapping type that keeps its limit of length and lets every entry pass."""
    if get_origin(kind) is Annotated:
        return Annotated[(dict[str, Any], *kind.__metadata__)]
    return dict[str, Any]


def _without_items(kind: Any) -> Any:  # noqa: ANN401 - any annotation
    """A list type that keeps its length limits and lets every item pass."""
    if get_origin(kind) is Annotated:
        return Annotated[(list[Any], *kind.__metadata__)]
    return list[Any]


def _object_faults(value: dict[str, Any], structs: list[type[msgspec.Struct]], pointer: str) -> Iterator[Fault]:
    tag_field = structs[0].__struct_config__.tag_field
    chosen = structs[0]
    if tag_field is not None:
        tagged = {struct.__struct_config__.tag: struct for struct in structs}
        tag = value.get(tag_field, msgspec.UNSET)
        if not isinstance(tag, str) or tag not in tagged:
            known = ", ".join(str(name) for name in tagged)
            yield Fault(
                member(pointer, tag_field), f"{'is required:' if tag is msgspec.UNSET else 'must be'} one of {known}"
            )
            return
        chosen = tagged[tag]
    fields = {field.encode_name: field for field in msgspec.structs.fields(chosen)}
    yield from _unknown_names(value, {*fields, tag_field}, pointer)
    for name, field in fields.items():
        if name in value:
            yield from faults_in(value[name], field.type, member(pointer, name))
        elif field.required:
            yield Fault(member(pointer, name), "is required")


def _unknown_names(value: dict[str, Any], known: set[str | None], pointer: str) -> Iterator[Fault]:
    for name in [name for name in value if name not in known]:
        if len(name) > _MAX_NAME:
            yield Fault(pointer, f"has an unknown field with a name of {len(name)} characters")
        else:
            yield Fault(member(pointer, name), "is not a known field")


def _leaf_faults(value: Any, kind: Any, pointer: str) -> Iterator[Fault]:  # noqa: ANN401 - as faults_in
    try:
        msgspec.convert(value, kind, strict=True)
    except msgspec.ValidationError as error:
        choices = _choices(kind)
        if all(get_origin(choice) is Literal for choice in choices) and isinstance(value, str):
            words = f"must be one of {', '.join(str(word) for choice in choices for word in get_args(choice))}"
        else:
            words = str(error).rpartition(" - at `$")[0] or str(error)
        yield Fault(pointer, words)
