"""Request bodies shown in the API document; the answers beside them are computed, so they are true."""

from importlib.resources import files
from typing import TypeVar

import msgspec

Body = TypeVar("Body")


def read(name: str) -> bytes:
    """The body in ``name.json``."""
    return files(__name__).joinpath(f"{name}.json").read_bytes()


def typed(name: str, kind: type[Body]) -> Body:
    """The body in ``name.json`` as a handler receives it."""
    return msgspec.json.decode(read(name), type=kind, strict=True)


def line(name: str) -> str:
    """The body in ``name.json`` as one line."""
    return " ".join(read(name).decode().split()) + "\n"
