"""The plugin for partners' tests: the tests on its page pass in a pytest of their own, and an order runs through."""

import re
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from cotterline.pytest_plugin import HeardEvents, TrialShop
from tests.api import ordering
from tests.command_line import environment

PAGE = Path(__file__).parents[1] / "service/docs/partner-tests.md"


def run(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = (sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", *options)
    return subprocess.run(  # noqa: S603 - this very program
        command, cwd=folder, env=environment(), capture_output=True, text=True, timeout=120, check=False
    )


def test_the_tests_on_the_page_pass(tmp_path: Path) -> None:
    (shown,) = re.findall(r"^```python\n(.*?)^```$", PAGE.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    (tmp_path / "test_ours.py").write_text(shown)
    done = run(tmp_path, "-W", "error")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 passed" in done.stdout
    assert "cotterline_shop" in run(tmp_path, "--fixtures").stdout


def test_a_partner_whose_test_waits_in_vain_is_told_what_came(tmp_path: Path) -> None:
    (tmp_path / "test_ours.py").write_text(
        "def test_x(cotterline_events, cotterline_shop):\n"
        "    cotterline_shop.make('/v1/quotes', {'evidence': [{'kind': 'old_crank', 'crank': 'cottered'}]})\n"
        "    cotterline_events.wait_for('quote.created')\n"
        "    cotterline_events.wait_for('order.sent', seconds=0.1)\n"
    )
    done = run(tmp_path)
    assert done.returncode == 1
    assert "no order.sent came, but ['quote.created']" in done.stdout


@pytest.mark.xdist_group("pytest plugin")
def test_an_order_goes_to_the_practice_supplier_and_is_replied_to(
    cotterline_shop: TrialShop, cotterline_events: HeardEvents
) -> None:
    headers = {"Authorization": f"Bearer {cotterline_shop.key}"}
    with httpx.Client(base_url=cotterline_shop.url, headers=headers) as client:
        ordering.set_parts(client)
        ordering.set_prices(client)
        cotterline_shop.order_from_practice(ordering.DEPOT)
        (placed,) = ordering.placed(client, ordering.approved(client))
    found = cotterline_shop.wait_for(f"/v1/orders/{placed['id']}", "state", "accepted")
    assert found["outcome"] == "sent"
    assert cotterline_events.wait_for("order.replied").told["data"]["id"] == placed["id"]
