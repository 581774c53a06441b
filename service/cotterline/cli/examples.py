"""``cotterline examples``: what is posted and replied, one file each, and signed messages to try a verifier with."""

from collections.abc import Iterator
from pathlib import Path

import click
import msgspec

from cotterline.api.event_examples import STATEMENTS, event_example, reply_example
from cotterline.api.signature_vectors import vectors
from cotterline.bench.events import EVENT_TYPES


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
def examples(folder: Path) -> None:
    """Write examples for partners' programs into FOLDER.

    One file for each type of event and for each thing a supplier can reply goes into FOLDER/examples; signed messages,
    genuine and not, into FOLDER/signature_vectors.json. Everything in them is invented.
    """
    (folder / "examples").mkdir(exist_ok=True)
    for name, content in written():
        (folder / name).write_bytes(content)


def written() -> Iterator[tuple[str, bytes]]:
    """Every file by its path in the folder."""
    for event in EVENT_TYPES:
        yield f"examples/event_{event.replace('.', '_')}.json", _pretty(event_example(event))
    for says in STATEMENTS:
        yield f"examples/reply_{says}.json", _pretty(reply_example(says))
    yield "signature_vectors.json", _pretty(vectors())


def _pretty(value: object) -> bytes:
    return msgspec.json.format(msgspec.json.encode(value), indent=2) + b"\n"
