"""The counters name routes, never paths, and only the operator's token opens them."""

import math
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from litestar.testing import TestClient
from prometheus_client.parser import text_string_to_metric_families

import cotterline
from cotterline.api.edge import Edge
from cotterline.main import create_app
from cotterline.settings import Settings
from cotterline.store.database import Database
from tests.delivery.outbox import enqueue, event, subscribe
from tests.shops import Shop
from tests.store.running import NOON, act, made, of_parts

pytestmark = pytest.mark.anyio

TOKEN = "a-scraper-shows-this"  # noqa: S105 - invented
SHOWN = {"Authorization": f"Bearer {TOKEN}"}

Counts = dict[tuple[str, ...], float]


@pytest.fixture
def scraped(database_url: str) -> Iterator[TestClient[Edge]]:
    """Serve everything on each database, with a token for the metrics."""
    settings = Settings(database_url=database_url, metrics_token=TOKEN)
    with TestClient(create_app(settings), raise_server_exceptions=False) as client:
        yield client


def page(client: TestClient[Edge]) -> str:
    answer = client.get("/metrics", headers=SHOWN)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain")
    return answer.text


def counts(client: TestClient[Edge], name: str) -> Counts:
    """Every sample of one name, by its labels' values in order of their names; scrapes are left out."""
    found: Counts = {}
    for family in text_string_to_metric_families(page(client)):
        for sample in family.samples:
            if sample.name == name and sample.labels.get("route") != "/metrics":
                found[tuple(sample.labels[label] for label in sorted(sample.labels))] = sample.value
    return found


def test_requests_are_counted_by_method_route_and_status(scraped: TestClient[Edge], shop_a: Shop) -> None:
    for _ in range(2):
        scraped.get(f"/v1/quotes/{uuid4()}", headers=shop_a.headers)
    scraped.get("/v1/quotes")
    scraped.head("/health/live")
    scraped.delete("/health/live")
    scraped.get(f"/nowhere/{uuid4()}")
    scraped.request("BREW", "/health/live")
    expected = {
        ("GET", "/v1/quotes/{quote_id}", "404"): 2,
        ("GET", "/v1/quotes", "401"): 1,
        ("HEAD", "/health/live", "200"): 1,
        ("DELETE", "none", "405"): 1,
        ("GET", "none", "404"): 1,
        ("_OTHER", "none", "405"): 1,
    }
    assert counts(scraped, "cotterline_http_requests_total") == expected
    assert counts(scraped, "cotterline_http_request_duration_seconds_count") == expected
    assert all(total > 0 for total in counts(scraped, "cotterline_http_request_duration_seconds_sum").values())


def test_no_label_holds_what_a_client_sent(scraped: TestClient[Edge], shop_a: Shop) -> None:
    private = "bottom-drawer"
    scraped.get(f"/{private}?{private}={private}", headers={private: private})
    scraped.get(f"/v1/quotes/{private}", headers=shop_a.headers)
    scraped.request(private.upper(), "/docs")
    assert private not in page(scraped).lower()
    assert shop_a.key not in page(scraped)


def test_a_request_is_under_way_until_it_is_answered(scraped: TestClient[Edge]) -> None:
    scraped.head("/health/live")
    assert counts(scraped, "cotterline_http_requests_in_flight") == {("HEAD",): 0, ("GET",): 1}


def test_the_version_of_the_core_is_told(scraped: TestClient[Edge]) -> None:
    assert counts(scraped, "cotterline_core_info") == {(cotterline.__version__,): 1}


async def test_tries_to_post_are_counted_by_kind_and_outcome(
    scraped: TestClient[Edge], database: Database, shop_a: Shop
) -> None:
    # An address that is not public is refused before anything is sent, which is a try all the same.
    name = await subscribe(database, shop_a.tenant, "https://127.0.0.1/events")
    await enqueue(database, shop_a.tenant, event(name, datetime.now(UTC)))
    end = time.monotonic() + 20
    while not (counted := counts(scraped, "cotterline_deliveries_total")):
        assert time.monotonic() < end
    assert counted == {("event", "again"): 1}


async def test_the_lag_is_that_of_the_oldest_delivery_due(database_url: str, database: Database, shop_a: Shop) -> None:
    await enqueue(database, shop_a.tenant, *(event("till", datetime.now(UTC) - timedelta(hours=n)) for n in (1, 2)))
    settings = Settings(database_url=database_url, metrics_token=TOKEN, worker="off")
    with TestClient(create_app(settings), raise_server_exceptions=False) as client:
        assert counts(client, "cotterline_deliveries_due") == {(): 2}
        assert 7200 <= counts(client, "cotterline_delivery_lag_seconds")[()] < 7300


async def test_runs_are_told_by_state_with_what_waits_and_since_when(
    database_url: str, database: Database, shop_a: Shop, shop_b: Shop
) -> None:
    await of_parts(database, shop_a.tenant, 5, 6)
    hour_ago = datetime.now(UTC) - timedelta(hours=1)
    await made(database, shop_b.tenant, worked_since=hour_ago)  # in which nothing came yet
    paused = await of_parts(database, shop_b.tenant, 5)
    await act(database, shop_b.tenant, paused.id, "pause")
    settings = Settings(database_url=database_url, metrics_token=TOKEN, worker="off")
    since = (datetime.now(UTC) - NOON).total_seconds()
    with TestClient(create_app(settings), raise_server_exceptions=False) as client:
        assert counts(client, "cotterline_runs_open") == {("receiving",): 1, ("working",): 1, ("paused",): 1}
        assert counts(client, "cotterline_run_parts_waiting") == {(): 2}
        assert since <= counts(client, "cotterline_run_lag_seconds")[()] < since + 60


def test_without_an_answer_of_the_database_what_waits_is_no_number(empty_database_url: str) -> None:
    settings = Settings(database_url=empty_database_url, metrics_token=TOKEN, worker="off")
    names = ("deliveries_due", "delivery_lag_seconds", "runs_open", "run_parts_waiting", "run_lag_seconds")
    with TestClient(create_app(settings), raise_server_exceptions=False) as client:
        for name in names:
            told = counts(client, f"cotterline_{name}")
            assert told, name
            assert all(math.isnan(value) for value in told.values()), name


def test_a_process_tells_what_it_does_beside_calls(scraped: TestClient[Edge], database_url: str) -> None:
    kinds = {"posts", "runs", "lapsed quotes", "due visits", "ended runs", "old answers", "runs left behind"}
    assert counts(scraped, "cotterline_workers") == {(kind,): 1 for kind in kinds}
    settings = Settings(database_url=database_url, metrics_token=TOKEN, worker="off")
    with TestClient(create_app(settings)) as server:
        assert counts(server, "cotterline_workers") == {}


def test_operators_are_told_of_every_metric(scraped: TestClient[Edge]) -> None:
    page_for_operators = Path(__file__).parents[2] / "service/docs/operate.md"
    told = {*re.findall(r"^\| `(cotterline_\w+)` \|", page_for_operators.read_text("utf-8"), flags=re.MULTILINE)}
    families = [each for each in text_string_to_metric_families(page(scraped)) if each.name.startswith("cotterline_")]
    there = {f"{each.name}_total" if each.type == "counter" else each.name for each in families}
    assert told == {name for name in there if not name.endswith("_created")}


def test_two_applications_count_apart(scraped: TestClient[Edge], database_url: str) -> None:
    settings = Settings(database_url=database_url, metrics_token=TOKEN)
    with TestClient(create_app(settings)) as other:
        other.get("/health/live")
        assert counts(scraped, "cotterline_http_requests_total") == {}
        assert counts(other, "cotterline_http_requests_total") == {("GET", "/health/live", "200"): 1}


@pytest.mark.parametrize(
    "shown",
    [
        {},
        {"Authorization": ""},
        {"Authorization": "Bearer"},
        {"Authorization": f"Bearer {TOKEN[:-1]}"},
        {"Authorization": f"Bearer {TOKEN}x"},
        {"Authorization": f"Basic {TOKEN}"},
        {"Authorization": TOKEN},
        {"Authorization": "Bearer \xe9".encode("latin-1")},
    ],
)
def test_without_the_token_there_is_nothing_to_see(scraped: TestClient[Edge], shown: dict[str, str]) -> None:
    answer = scraped.get("/metrics", headers=shown)
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    assert answer.json()["type"] == "/problems/unauthenticated"
    assert "cotterline_" not in answer.text


def test_a_key_of_a_shop_is_no_token(scraped: TestClient[Edge], shop_a: Shop) -> None:
    assert scraped.get("/metrics", headers=shop_a.headers).status_code == 401


def test_without_a_token_set_there_is_no_page(bench: TestClient[Edge]) -> None:
    for shown in ({}, {"Authorization": "Bearer "}, SHOWN):
        assert bench.get("/metrics", headers=shown).status_code == 404


def test_the_page_is_no_part_of_the_partners_document(bench: TestClient[Edge]) -> None:
    assert not re.search(r'"/metrics"', bench.get("/openapi.json").text)
