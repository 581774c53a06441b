"""A full disk takes nothing more, and what it had is there; with room again it goes on."""

import errno
import os
from pathlib import Path

import pytest

from tests import postgres
from tests.faults.disks import disk
from tests.faults.network import MissingError

BEFORE = b"before" * 100_000


def test_a_full_disk_refuses_and_an_emptied_one_takes() -> None:
    try:
        with disk() as its:
            file = its.folder / "data"
            file.write_bytes(BEFORE)
            its.fill()
            with pytest.raises(OSError, match="No space left") as refused:
                Path(its.folder / "more").write_bytes(BEFORE)
            assert refused.value.errno == errno.ENOSPC
            assert file.read_bytes() == BEFORE
            its.empty()
            (its.folder / "later").write_bytes(BEFORE)
    except MissingError as error:
        postgres.give_up(error, os.environ)
