"""What is kept of a run is packed, and unpacked whole or not at all."""

import lzma
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.store.quote_run_inputs import PIECE, packed, packed_from, unpacked, unpacked_in_pieces


@given(st.lists(st.binary(max_size=300), max_size=20))
def test_what_is_packed_from_pieces_is_unpacked_whole_or_in_pieces(pieces: list[bytes]) -> None:
    kept = packed_from(pieces)
    assert unpacked(kept) == b"".join(pieces) == b"".join(unpacked_in_pieces(kept))


def test_any_program_that_knows_the_format_reads_it() -> None:
    # The .xz File Format, version 1.2.1: the header's magic bytes; Python's own reader is the other program.
    kept = packed(b"told")
    assert kept[:6] == b"\xfd7zXZ\x00"
    assert lzma.decompress(kept, format=lzma.FORMAT_XZ) == b"told"


@pytest.mark.parametrize("missing", [1, 13, PIECE + 1, 4 * PIECE])
def test_what_is_not_whole_is_refused(missing: int) -> None:
    kept = packed(os.urandom(3 * PIECE))
    with pytest.raises(lzma.LZMAError):
        list(unpacked_in_pieces(kept[:-missing]))


def test_no_more_is_held_than_a_piece() -> None:
    alike = b'{"place":"line 1","result":{}}\n' * 40_000
    assert max(map(len, unpacked_in_pieces(packed(alike)))) == PIECE
