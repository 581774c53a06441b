"""The forms in which bicycles come line by line and answers go: what each is called on the wire, and what reads it."""

from collections.abc import Iterator, Mapping
from typing import Any, Final, Protocol

from cotterline.api.bicycles.bike import NOTHING, Bike, LeftOut, Refused
from cotterline.api.bicycles.bikes_csv import bikes_by_row
from cotterline.api.bicycles.bikes_json import bikes_by_line
from cotterline.api.body import CSV
from cotterline.store.quote_runs import BicycleForm

JSON_LINES: Final = "application/x-ndjson"

FORMS: Final[Mapping[str, BicycleForm]] = {JSON_LINES: "json_lines", CSV: "csv"}
"""By media type, parameters apart."""

MEDIA: Final[Mapping[BicycleForm, str]] = {"json_lines": JSON_LINES, "csv": "text/csv; charset=utf-8; header=present"}
"""What answers in each form are."""


class Reader(Protocol):
    """Reads bicycles from lines, which may be a part from the middle of a file."""

    def __call__(self, lines: Iterator[bytes], left_out: LeftOut = NOTHING) -> Iterator[Bike | Refused]:
        """Each bicycle, as it is read."""


READERS: Final[Mapping[BicycleForm, Reader]] = {"json_lines": bikes_by_line, "csv": bikes_by_row}

TEXT: Final[Mapping[str, Any]] = {"schema": {"type": "string"}}
CONTENT: Final = {JSON_LINES: TEXT, CSV: TEXT}
"""Of an answer in whichever form, for the API document."""
