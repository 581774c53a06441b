"""The sourced facts of the trade, read once from the files beside this one.

Reading packaged data is the only I/O under ``bench``: it happens on import and its outcome never changes.
"""

from importlib.resources import files
from typing import TypeVar

import msgspec

Table = TypeVar("Table")


def load(name: str, kind: type[Table]) -> Table:
    """Decode ``name.toml`` strictly into ``kind``; an unknown or missing key is an error."""
    return msgspec.toml.decode(files(__name__).joinpath(f"{name}.toml").read_bytes(), type=kind, strict=True)
