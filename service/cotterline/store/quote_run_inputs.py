"""What the bicycles of a run are quoted with: the workshop as it was, and what came in but makes no part yet."""

import lzma
from collections.abc import Iterable, Iterator
from typing import Final, NamedTuple
from uuid import UUID

import msgspec
import structlog
from sqlalchemy import ColumnElement, and_, delete, select, update
from sqlalchemy import insert as insert_into

from cotterline.bench.workshop import Workshop
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import quote_run_inputs
from cotterline.store.tenancy import owned, ownership

LEVEL: Final = 1
"""Of compression by xz, which looks back over many answers where zlib sees less than one: a fifth of the size."""

PIECE: Final = 64 * 1024
"""Most bytes that are unpacked at once."""


class QuoteRunInputs(msgspec.Struct, frozen=True, kw_only=True):
    """One run's.

    Attributes:
        run_id: the run.
        base_url: address the service was reached at when the run was made.
        workshop: as it was then, whatever the shop has changed since; None where this version cannot read it.
        heading: what stands before every part: the header of a table.
    """

    run_id: UUID
    base_url: str
    workshop: Workshop | None
    heading: bytes = b""


class LeftOver(NamedTuple):
    """What an upload goes on from.

    Attributes:
        heading: what stands before every part, if it has come already.
        left_over: what makes no part yet, as ``api/bicycles/parts.py`` left it.
    """

    heading: bytes
    left_over: bytes


log = structlog.get_logger("cotterline.quote_run_inputs")

_WORKSHOP: Final = msgspec.msgpack.Decoder(Workshop)
_COLUMNS = tuple(quote_run_inputs.c[name] for name in QuoteRunInputs.__struct_fields__)


def packed(told: bytes) -> bytes:
    """Bytes as they are kept.

    >>> unpacked(packed(b"a part"))
    b'a part'
    """
    return packed_from([told])


def packed_from(pieces: Iterable[bytes]) -> bytes:
    """Bytes as they are kept, from pieces of which no more are held at once than one."""
    packing = lzma.LZMACompressor(preset=LEVEL)
    return b"".join([*map(packing.compress, pieces), packing.flush()])


def unpacked(kept: bytes) -> bytes:
    """Bytes as they were before :func:`packed`."""
    return lzma.decompress(kept)


def unpacked_in_pieces(kept: bytes) -> Iterator[bytes]:
    """The same bytes, of which no more are held at once than a piece.

    Raises:
        LZMAError: they are not whole.

    >>> b"".join(unpacked_in_pieces(packed(b"a part")))
    b'a part'
    """
    unpacking = lzma.LZMADecompressor()
    while not unpacking.eof:
        yield unpacking.decompress(kept, PIECE)
        kept = b""  # it keeps what it did not come to
        if unpacking.needs_input:
            raise lzma.LZMAError("the end is missing")


async def insert(tx: WriteTransaction, inputs: QuoteRunInputs) -> None:
    """Keep what a run of the tenant's is worked with; nothing of its bicycles has come in."""
    row = msgspec.structs.asdict(inputs) | {"workshop": packed(msgspec.msgpack.encode(inputs.workshop))}
    await tx.execute(insert_into(quote_run_inputs).values(row | {"left_over": b""} | ownership(tx.tenant)))


async def get(tx: ReadTransaction, run_id: UUID) -> QuoteRunInputs | None:
    """Return what the tenant's run is worked with, while it is kept."""
    rows = await tx.rows(select(*_COLUMNS).where(_this(tx, run_id)))
    return QuoteRunInputs(**{**rows[0], "workshop": _workshop(rows[0]["workshop"])}) if rows else None


async def left_over(tx: ReadTransaction, run_id: UUID) -> LeftOver | None:
    """Return what the upload of the tenant's run goes on from, while it is kept."""
    found = select(quote_run_inputs.c.heading, quote_run_inputs.c.left_over).where(_this(tx, run_id))
    rows = await tx.rows(found)
    return LeftOver(**rows[0]) if rows else None


async def leave(tx: WriteTransaction, run_id: UUID, left: LeftOver) -> None:
    """Put what is left over now in the place of what was before."""
    await tx.execute(update(quote_run_inputs).where(_this(tx, run_id)).values(left._asdict()))


async def remove(tx: WriteTransaction, run_id: UUID) -> None:
    """Keep it no longer."""
    await tx.execute(delete(quote_run_inputs).where(_this(tx, run_id)))


def _workshop(kept: bytes) -> Workshop | None:
    try:
        return _WORKSHOP.decode(unpacked(kept))
    except msgspec.ValidationError as error:
        log.warning("the workshop of a run cannot be read", error=str(error))
        return None


def _this(tx: ReadTransaction, run_id: UUID) -> ColumnElement[bool]:
    return and_(owned(quote_run_inputs, tx.tenant), quote_run_inputs.c.run_id == run_id)
