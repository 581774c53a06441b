"""What a shop learns its cranks' offsets from: its own fit reports, and what other shops gave."""

from cotterline.bench.spindle.offset import OffsetReport, of_others
from cotterline.store import fit_reports, shared_offsets
from cotterline.store.database import ReadTransaction


async def learned_from(tx: ReadTransaction) -> tuple[OffsetReport, ...]:
    """Return the tenant's own observations, and those of other shops as other shops'."""
    own = await fit_reports.offsets(tx)
    return (*own, *of_others(own, await shared_offsets.read(tx)))
