"""Two hosts, one database, every kind of fault once: what was promised holds."""

import asyncio
import os
from pathlib import Path

from tests import postgres
from tests.faults.ledger import compare
from tests.faults.network import MissingError, network
from tests.faults.rehearsal import rehearse
from tests.faults.timeline import KINDS, Plan

SECONDS = 54.0
"""Enough for every kind of fault at its longest."""


def test_nothing_is_lost_doubled_or_changed_by_any_fault(tmp_path: Path) -> None:
    try:
        with network(2) as joined, postgres.own_server(joined.outside, joined.prefix) as own:
            ledger, figures = asyncio.run(rehearse(own, joined, tmp_path, Plan(1, SECONDS), lambda _line: None))
    except (MissingError, postgres.UnavailableError) as error:
        postgres.give_up(error, os.environ)
    verdict = compare(ledger)
    assert verdict.good, verdict
    assert not figures.ended
    assert figures.faults.keys() == {*KINDS}
    assert len(ledger.orders) > 0
    assert len(ledger.supplied) > len(ledger.orders)
