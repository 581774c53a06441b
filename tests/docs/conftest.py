"""The site that the documentation is built as."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site, built as strictly as continuous integration builds it."""
    folder = tmp_path_factory.mktemp("site")
    command = (sys.executable, "-m", "mkdocs", "build", "-f", "service/mkdocs.yml", "-d", str(folder))
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT / "service"), *sys.path))}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)  # noqa: S603 - this very program
    assert done.returncode == 0, done.stderr
    assert "WARNING" not in done.stderr
    return folder
