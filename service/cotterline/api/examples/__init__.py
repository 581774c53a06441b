"""Request bodies shown in the API document; the answers beside them are computed, so they are true."""

from importlib.resources import files


def read(name: str) -> bytes:
    """The body in ``name.json``."""
    return files(__name__).joinpath(f"{name}.json").read_bytes()
