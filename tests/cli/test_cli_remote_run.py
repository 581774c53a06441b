"""A file quoted by a service elsewhere: the answers are those of this machine, whatever happens to the connection."""

import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

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


@pytest.mark.parametrize("name", ["bikes.csv", "bikes.json"])
def quoted(url: str, key: str, file: Path, folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return run("quote", str(file), "--service", url, *more, folder=folder, COTTERLINE_KEY=key)


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
    with Cutting(served.address, (chance.randrange(200, 400_000) for _ in range(9))).running() as way:
        cut = quoted(way.address, served.key, file, tmp_path, "--as", "json-lines")
    assert way.cuts >= 5
    assert (cut.returncode, cut.stdout, cut.stderr) == (direct.returncode, direct.stdout, direct.stderr)
    assert cut.stdout.count("\n") + cut.stderr.count("line ") >= 601


def _results(lines: str) -> list[bytes]:
    class Line(msgspec.Struct):
        result: msgspec.Raw
        reference: str = ""

    found = [msgspec.json.decode(line, type=Line) for line in lines.splitlines()]
    return [line.reference.encode() + bytes(line.result) for line in found]
