"""A file quoted by a service elsewhere: the answers are those of this machine, whatever happens to the connection."""

import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import msgspec
import pytest

from tests.benchmarks.invented_bikes import json_lines
from tests.command_line import FIXTURES, run
from tests.cutting import Cutting
from tests.serving import Served, serving


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("remote")) as found:
        yield found


def quoted(url: str, key: str, file: Path, folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return run("quote", str(file), "--service", url, *more, folder=folder, COTTERLINE_KEY=key)


@pytest.mark.parametrize("name", ["bikes.csv", "bikes.json"])
def test_a_service_elsewhere_gives_the_answers_of_this_machine(served: Served, name: str, tmp_path: Path) -> None:
    here = run("quote", str(FIXTURES / name), "--as", "json-lines", folder=tmp_path)
    there = quoted(served.address, served.key, FIXTURES / name, tmp_path, "--as", "json-lines")
    assert (there.returncode, there.stderr) == (0, here.stderr)
    assert _results(there.stdout) == _results(here.stdout)
    table = quoted(served.address, served.key, FIXTURES / name, tmp_path)
    assert table.stdout == run("quote", str(FIXTURES / name), folder=tmp_path).stdout


def test_a_connection_dropped_again_and_again_costs_no_bicycle_and_doubles_none(served: Served, tmp_path: Path) -> None:
    file = tmp_path / "many.jsonl"
    file.write_bytes(b"".join(json_lines(seed=5, count=600)) + b"{\n")
    chance = random.Random(5)  # noqa: S311 - no secret
    direct = quoted(served.address, served.key, file, tmp_path, "--as", "json-lines")
    with Cutting(served.address, (chance.choice([300, 20_000, 60_000]) for _ in range(12))).running() as way:
        cut = quoted(way.address, served.key, file, tmp_path, "--as", "json-lines")
    assert way.cuts >= 5
    assert (cut.returncode, cut.stdout, cut.stderr) == (direct.returncode, direct.stdout, direct.stderr)
    assert cut.stdout.count("\n") + cut.stderr.count("line ") >= 601


def test_a_run_that_was_left_is_gone_on_with(served: Served, tmp_path: Path) -> None:
    file = tmp_path / "some.jsonl"
    file.write_bytes(b"".join(json_lines(seed=9, count=20)))
    direct = quoted(served.address, served.key, file, tmp_path, "--as", "json-lines")
    with httpx.Client(base_url=served.address, headers={"Authorization": f"Bearer {served.key}"}) as client:
        asked = {"bicycles_form": "json_lines"}
        left = client.post("/v1/quote-runs", json=asked, headers={"Idempotency-Key": "left"}).json()["id"]
        headers = {"Content-Type": "application/partial-upload", "Upload-Offset": "0"}
        client.patch(f"/v1/quote-runs/{left}/bicycles", content=file.read_bytes()[:3333], headers=headers)
    again = quoted(served.address, served.key, file, tmp_path, "--as", "json-lines", "--run", left)
    assert (again.returncode, again.stdout, again.stderr) == (direct.returncode, direct.stdout, direct.stderr)


def test_whoever_is_not_let_in_or_has_no_key_is_told_so(served: Served, tmp_path: Path) -> None:
    bikes = FIXTURES / "bikes.csv"
    wrong = quoted(served.address, "cotl_live_wrong", bikes, tmp_path)
    assert (wrong.returncode, wrong.stdout) == (1, "")
    assert "A valid key is needed" in wrong.stderr
    without = run("quote", str(bikes), "--service", served.address, folder=tmp_path)
    assert without.returncode == 2
    assert "COTTERLINE_KEY" in without.stderr
    nowhere = quoted("ftp://bench.example", served.key, bikes, tmp_path)
    assert nowhere.returncode == 2
    assert "must be an address" in nowhere.stderr


def _results(lines: str) -> list[bytes]:
    class Line(msgspec.Struct):
        result: msgspec.Raw
        reference: str = ""

    found = [msgspec.json.decode(line, type=Line) for line in lines.splitlines()]
    return [line.reference.encode() + bytes(line.result) for line in found]
