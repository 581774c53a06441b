"""A partner drives every path of an order: the service, its worker and the practice supplier as real processes."""

import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any
from urllib.parse import quote as escaped

import httpx
import pytest

from cotterline.practice_supplier.rules import REPLY_SECRET, RULE_NAMES, SIGNING_SECRET
from tests.api import ordering
from tests.command_line import COMMAND, environment, free_port
from tests.sqlite import Files

SECONDS = 60.0

pytestmark = pytest.mark.xdist_group("practice supplier")  # what comes last has it disabled
PATHS = {
    "": ("accepted", ["accepted", "accepted"], []),
    "accept": ("accepted", ["accepted", "accepted"], []),
    "reject": ("rejected", ["rejected", "rejected"], []),
    "substitute-good": ("accepted", ["accepted", "accepted"], []),
    "substitute-good dispatch": ("dispatched", ["dispatched", "dispatched"], []),
    "substitute-bad": ("partly_accepted", ["rejected", "accepted"], []),
    "substitute-unknown": ("in_question", ["in_question", "accepted"], ["substitute"]),
    "price-up": ("in_question", ["in_question", "accepted"], ["price"]),
    "backorder": ("backordered", ["backordered", "backordered"], []),
    "in-part": ("backordered", ["accepted", "backordered"], []),
    "dispatch": ("dispatched", ["dispatched", "dispatched"], []),
    "contradict": ("dispatched", ["dispatched", "dispatched"], ["contradiction", "contradiction"]),
    "slow": ("accepted", ["accepted", "accepted"], []),
    "answer-at-once": ("accepted", ["accepted", "accepted"], []),
    "answer-at-once dispatch": ("dispatched", ["dispatched", "dispatched"], []),
    "reply-twice": ("accepted", ["accepted", "accepted"], []),
    "out-of-order": ("dispatched", ["dispatched", "dispatched"], []),
    "late": ("accepted", ["accepted", "accepted"], []),
    "drop": ("accepted", ["accepted", "accepted"], []),
    "fail-twice": ("accepted", ["accepted", "accepted"], []),
    "bakorder": ("rejected", ["rejected", "rejected"], []),
    "gone": ("undelivered", ["open", "open"], []),
}
"""Where an order of a unit and its bolts stands in the end, line by line, and what a person is asked.

The last one has the supplier disabled.
"""


@pytest.fixture(scope="module")
def partner(tmp_path_factory: pytest.TempPathFactory, sqlite_files: Files) -> Iterator[httpx.Client]:
    """Serve a shop in test mode that can order of the practice supplier."""
    folder = tmp_path_factory.mktemp("partner")
    shops = sqlite_files.shops
    (folder / "cotterline.sqlite3").write_bytes(sqlite_files.template.read_bytes())
    practice, service = free_port(), free_port()
    address = f"http://127.0.0.1:{service}"
    settings = environment(
        COTTERLINE_PRACTICE_SUPPLIER=f"http://127.0.0.1:{practice}",
        COTTERLINE_PUBLIC_BASE_URL=address,
        COTTERLINE_RATE_PER_MINUTE="0",
        COTTERLINE_SHOP_RATE_PER_MINUTE="0",
    )
    commands = [
        ["practice-supplier", "--port", str(practice), "--service", address, "--pace", "0.05"],
        ["serve", "--port", str(service)],
    ]
    with ExitStack() as running:
        log = running.enter_context((folder / "log").open("wb"))
        for command in commands:
            process = subprocess.Popen(  # noqa: S603 - this very program
                [*COMMAND, *command], cwd=folder, env=settings, stdout=log, stderr=log
            )
            running.callback(process.wait)
            running.callback(process.terminate)
        client = running.enter_context(httpx.Client(base_url=address, headers=shops.a_test.headers, timeout=30))
        _wait_until(lambda: _answers(client), "the service is up")
        supplier = running.enter_context(httpx.Client(base_url=f"http://127.0.0.1:{practice}"))
        _wait_until(lambda: _answers(supplier, "/"), "the supplier is up")
        _introduce(client)
        yield client


def _answers(client: httpx.Client, path: str = "/health/ready") -> bool:
    try:
        return client.get(path).status_code == 200
    except httpx.TransportError:
        return False


def _wait_until(happened: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + SECONDS
    while not happened():
        assert time.monotonic() < until, f"not in {SECONDS:g} s: {what}"
        time.sleep(0.05)


def _introduce(partner: Any) -> None:  # noqa: ANN401 - a client on a socket stands in for one in process
    ordering.stock(partner)
    told = partner.get("/v1/reference/practice-supplier").json()
    ordering.set_supplier(partner, endpoint=told["endpoint"])
    for purpose, text in (("signing", SIGNING_SECRET), ("reply", REPLY_SECRET)):
        assert told[f"{purpose}_secret"] == text
        kept = partner.post(
            f"/v1/suppliers/{escaped(ordering.DEPOT)}/secrets",
            json={"purpose": purpose, "text": text},
            headers={"Idempotency-Key": f'"{purpose}"'},
        )
        assert kept.status_code == 201, kept.text


def _ask_again(partner: httpx.Client, order: dict[str, Any]) -> None:
    """Have a post that failed made once more at once, instead of waiting as long as the schedule says."""
    for post in partner.get("/v1/deliveries", params={"subject_id": order["id"]}).json()["deliveries"]:
        shown = partner.get(f"/v1/deliveries/{post['id']}").json()
        if post["state"] == "waiting" and shown["tries"]:
            partner.post(f"/v1/deliveries/{post['id']}/retries")


def test_every_rule_is_driven() -> None:
    assert {rule for rules in PATHS for rule in rules.split()} - {"bakorder"} == {*RULE_NAMES}


@pytest.mark.parametrize("rules", PATHS)
def test_an_order_comes_to_stand_where_its_rules_lead(partner: Any, rules: str) -> None:  # noqa: ANN401 - as above
    job = {**ordering.SURE, "reference": f"Blue roadster [{rules}]"}
    (order,) = ordering.placed(partner, ordering.approved(partner, job), {})

    seen: list[tuple[str, list[str], list[str]]] = []

    def stands() -> bool:
        _ask_again(partner, order)
        now = partner.get(f"/v1/orders/{order['id']}").json()
        standing = now["standing"]
        lines = [line["state"] for line in standing["lines"]]
        seen.append((now["state"], lines, [question["about"] for question in standing.get("questions", ())]))
        return seen[-1] == PATHS[rules]

    until = time.monotonic() + SECONDS
    while not stands() and time.monotonic() < until:
        time.sleep(0.05)
    assert seen[-1] == PATHS[rules]
