"""A host's clock that can be stepped while its processes run; how long something takes is told as before.

libfaketime's documentation, README, "Advanced time specification options": an offset read from a file, again and again.
"""

from pathlib import Path
from typing import Final

from tests.faults.network import MissingError

LIBRARIES: Final = Path("/usr/lib")
LIBRARY: Final = "*/faketime/libfaketimeMT.so.1"


class Clock:
    """The clock of one host.

    Args:
        file: keeps by how much it is off.

    Raises:
        MissingError: where the library is not installed.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        found = sorted(LIBRARIES.glob(LIBRARY))
        if not found:
            raise MissingError("install `faketime`: a clock is stepped by its library")
        self.environment = {
            "LD_PRELOAD": str(found[0]),
            "FAKETIME_TIMESTAMP_FILE": str(file),
            "FAKETIME_CACHE_DURATION": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        self.step(0)

    def step(self, seconds: int) -> None:
        """Set it so far off the true time, which is noticed within a second."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{seconds:+d}")
        new.replace(self._file)
