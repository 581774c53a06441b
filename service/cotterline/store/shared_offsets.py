"""What shops gave of their cranks for all: observations that lead back to no shop, no bicycle and no day."""

from collections.abc import Sequence
from typing import Final
from uuid import uuid4

from msgspec import UNSET
from sqlalchemy import insert as insert_into
from sqlalchemy import select

from cotterline.bench.spindle.offset import OffsetReport
from cotterline.store.database import ReadTransaction, WriteTransaction
from cotterline.store.tables import shared_offsets

MOST_LEARNED: Final = 5000
"""Observations that are learned from; of more, any, since none says when it was made."""


async def insert(tx: WriteTransaction, report: OffsetReport) -> None:
    """Give one observation to all, without the shop's own name for the crank; it cannot be taken back."""
    row = {
        "id": uuid4(),  # an id that tells the time would lead back to the report
        "gtin": report.gtin or None,
        "rings": report.rings,
        "taper": report.taper,
        "offset_mm": report.offset_mm,
        "offset_sd_mm": report.sd_mm,
    }
    await tx.execute(insert_into(shared_offsets).values(row))


async def read(tx: ReadTransaction) -> Sequence[OffsetReport]:
    """Return what shops gave, whoever they were."""
    columns = (column for column in shared_offsets.c if column.name != "id")
    found = await tx.rows(select(*columns).order_by(shared_offsets.c.id).limit(MOST_LEARNED))
    return [
        OffsetReport(
            gtin=row["gtin"] or UNSET,
            rings=row["rings"],
            taper=row["taper"],
            offset_mm=row["offset_mm"],
            sd_mm=row["offset_sd_mm"],
            shared=True,
        )
        for row in found
    ]
