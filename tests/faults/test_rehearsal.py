"""Two hosts, one database, every kind of fault once: what was promised holds."""

import asyncio
import os
from pathlib import Path

from tests import postgres
from tests.faults.ledger import compare
from tests.faults.network import MissingError
from tests.faults.rehearsal import rehearse
from tests.faults.stage import grounds
from tests.faults.timeline import KINDS, Plan

PLAN = Plan(seed=56, seconds=54.0)
"""By chance every kind of fault in so short a time, and a worker killed early, whose leases run out after a minute."""


def test_nothing_is_lost_doubled_or_changed_by_any_fault(tmp_path: Path) -> None:
    try:
        with grounds() as its:
            ledger, figures = asyncio.run(rehearse(its, tmp_path, PLAN, lambda _line: None))
    except (MissingError, postgres.UnavailableError) as error:
        postgres.give_up(error, os.environ)
    verdict = compare(ledger)
    assert verdict.good, verdict
    assert not figures.ended
    assert figures.faults.keys() == {*KINDS}
    assert len(ledger.orders) > 0
    assert len(ledger.supplied) > len(ledger.orders)
    assert len(ledger.answers) > 1
    assert all(one.numbers for one in ledger.answers)
