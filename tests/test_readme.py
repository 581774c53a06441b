"""The README says what is true: its call gives its answer, and its commands are those of continuous integration."""

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.command_line import COMMAND, environment
from tests.serving import serving

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")


def blocks(kind: str) -> list[str]:
    """The README's code blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)


def test_the_call_gives_the_answer_beside_it(tmp_path: Path) -> None:
    (call,) = [block for block in blocks("sh") if block.startswith("curl")]
    (answer,) = blocks("text")
    if shutil.which("curl") is None:
        pytest.skip("install curl to try the README's call")
    way_in, stream, remote = [block.replace(".venv/bin/cotterline", shlex.join(COMMAND)) for block in blocks("bash")]
    with serving(tmp_path) as served:
        run = ["bash", "-euc", (way_in + call + stream + remote).replace("http://127.0.0.1:8000", served.address)]
        own = environment(COTTERLINE_DATABASE_URL=served.database_url)
        shown = subprocess.run(run, capture_output=True, text=True, timeout=60, check=True, env=own, cwd=ROOT)  # noqa: S603 - the README's own words, as a reader would run them
    told = shown.stdout.partition("\n")[2]
    assert told.startswith(answer)
    *_, streamed, table = told.partition('"18 bicycles, 18 quoted, 0 refused"')
    assert streamed
    assert "Ochre roadster" in table
    assert "18 quoted, 0 refused." in shown.stderr


def test_there_is_one_command_for_the_job_and_one_for_the_tests() -> None:
    commands = [block.strip() for block in blocks("sh") if not block.startswith("curl")]
    assert [command.rsplit("&& ", 1)[-1] for command in commands] == [".venv/bin/cotterline demo", ".venv/bin/pytest"]
    assert not any("\n" in command for command in commands)


def test_every_file_it_points_at_exists() -> None:
    for target in re.findall(r"\]\(([\w./-]+)\)", README):
        assert (ROOT / target).exists(), target
