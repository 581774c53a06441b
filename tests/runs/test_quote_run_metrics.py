"""A worker of runs counts what it answered, once that is kept, and what it is at."""

from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from cotterline.api.quote_run_metrics import QuoteRunMetrics
from cotterline.runs.part import RunBench, answered
from cotterline.runs.worker import RunWorker
from cotterline.store.database import Database
from cotterline.store.quote_run_claims import Answered, ClaimedPart
from cotterline.store.tenancy import Tenant
from tests.delivery.outbox import Clock
from tests.runs.test_worker import EMPTY_LINES, cancelling, work_all
from tests.runs.upload import lines, uploaded
from tests.store.running import NOON, WEEK

pytestmark = pytest.mark.anyio


@pytest.fixture
def registry() -> CollectorRegistry:
    """Keep what is counted."""
    return CollectorRegistry()


@pytest.fixture
def worker(database: Database, registry: CollectorRegistry) -> RunWorker:
    """Work at noon, and count."""
    return RunWorker(database, WEEK, clock=Clock(NOON), metrics=QuoteRunMetrics(registry))


async def test_what_is_answered_and_kept_is_counted_and_what_is_under_way(
    worker: RunWorker, registry: CollectorRegistry, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[float | None] = []

    def noting(part: ClaimedPart, bench: RunBench, goes_on: Any) -> Answered:  # noqa: ANN401 -- as it is
        seen.append(registry.get_sample_value("cotterline_run_parts_under_way"))
        return answered(part, bench, goes_on)

    monkeypatch.setattr("cotterline.runs.worker.answered", noting)
    await uploaded(database, tenant, lines(261, 1))
    await work_all(worker)
    assert seen == [1, 1]
    assert figures(registry) == {"under_way": 0, "parts": 2, "quoted": 27, "refused": 234}
    assert (registry.get_sample_value("cotterline_run_part_duration_seconds_sum") or 0) > 0


async def test_what_was_worked_on_for_nothing_is_not_counted(
    worker: RunWorker, registry: CollectorRegistry, database: Database, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = await uploaded(database, tenant, EMPTY_LINES)
    monkeypatch.setattr("cotterline.runs.worker.answered", cancelling(database, run, tenant))
    assert await worker.work_once()
    assert figures(registry) == {"under_way": 0, "parts": 0, "quoted": None, "refused": None}


def figures(registry: CollectorRegistry) -> dict[str, float | None]:
    """What a worker counted."""
    bicycles = "cotterline_run_bicycles_total"
    return {
        "under_way": registry.get_sample_value("cotterline_run_parts_under_way"),
        "parts": registry.get_sample_value("cotterline_run_part_duration_seconds_count"),
        "quoted": registry.get_sample_value(bicycles, {"outcome": "quoted"}),
        "refused": registry.get_sample_value(bicycles, {"outcome": "refused"}),
    }
