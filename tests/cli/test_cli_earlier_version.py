"""The version before the newest migration serves a database that this one has migrated: its own code, from history."""

import io
import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import httpx
import pytest

from cotterline.store import migrate
from tests.api import ordering
from tests.api.conftest import SECRET_KEY
from tests.cli.test_cli_serve import served
from tests.command_line import ask, run

ROOT = Path(__file__).parents[2]
STEPS = migrate.SCRIPTS.relative_to(ROOT) / "versions"


def git(*arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Ask the repository that the tests are in."""
    found = shutil.which("git") or "git"
    return subprocess.run([found, "-C", str(ROOT), *arguments], capture_output=True, check=False)  # noqa: S603 - ours


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Unpack the code of the commit before the newest migration came; gives where it is imported from.

    A clone without history has no such code. Where there is history, it is not skipped.
    """
    newest = git("log", "-1", "--diff-filter=A", "--format=%H", "--", str(STEPS / f"r{migrate.steps()[-1]}_*.py"))
    archive = git("archive", f"{newest.stdout.decode().strip()}^", "service")
    if archive.returncode:
        shallow = git("rev-parse", "--is-shallow-repository").stdout != b"false\n"
        assert shallow or not (ROOT / ".git").exists(), archive.stderr.decode()
        pytest.skip("this is a clone without history (git fetch --unshallow): the version before is not to be had")
    folder = tmp_path_factory.mktemp("earlier")
    with tarfile.open(fileobj=io.BytesIO(archive.stdout)) as packed:
        packed.extractall(folder, filter="data")
    return os.fspath(folder / "service")


def test_it_goes_on_and_starts_anew(earlier: str, empty_database_url: str, tmp_path: Path) -> None:
    here = {
        "COTTERLINE_DATABASE_URL": empty_database_url,
        "COTTERLINE_SECRET_KEYS": SECRET_KEY,
        "COTTERLINE_WORKER": "off",
    }
    there = {**here, "PYTHONPATH": earlier}
    migrated = run("migrate", folder=tmp_path, **there)
    assert f"is at revision {migrate.steps()[-2]}." in migrated.stdout, migrated.stderr
    assert run("shop", "add", "Net loft", folder=tmp_path, **there).returncode == 0
    asked = ("--label", "bench", "--scopes", "read,quote,order,administer")
    key = run("key", "issue", "--shop", "Net loft", *asked, folder=tmp_path, **there).stdout.strip()
    with served(tmp_path, **there) as (_, port), caller(port, key) as client:
        before = ordering.a_quote(client)
        assert f"is at revision {migrate.steps()[-1]}." in run("migrate", folder=tmp_path, **here).stdout
        assert ask(port, "GET", "/health/ready")[0] == 200
        made = ordering.an_order(client)
        assert ordering.act(client, before, "issue").status_code == 200
        kept = everything(client)
    assert (len(kept[0]["quotes"]), [each["id"] for each in kept[1]["orders"]]) == (2, [made["id"]])
    for version in (there, here):  # anew, and then in its place the one that migrated
        with served(tmp_path, **version) as (_, port), caller(port, key) as client:
            assert everything(client) == kept
            read = client.get(f"/v1/orders/{made['id']}").json()
            assert read == {**read, **made}


def caller(port: int, key: str) -> httpx.Client:
    """Who calls the service with a key."""
    return httpx.Client(base_url=f"http://127.0.0.1:{port}", headers={"Authorization": f"Bearer {key}"}, timeout=60)


def everything(client: httpx.Client) -> list[dict[str, list[dict[str, object]]]]:
    """What the shop's lists show."""
    paths = ("/v1/quotes", "/v1/orders", "/v1/events", "/v1/suppliers")
    return [client.get(path).raise_for_status().json() for path in paths]
