"""Clients generated from the committed API document compile, without an exception, and do the main job on a socket."""

import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import msgspec
import pytest

from tests.contract import node
from tests.serving import Served, serving

pytestmark = pytest.mark.xdist_group("contract")

DOCUMENT = Path(__file__).parents[2] / "openapi" / "openapi.json"
DRIVERS = node.FOLDER / "drivers"
BEYOND = {"image/svg+xml", "application/x-ndjson", "application/partial-upload", "text/event-stream"}
"""What the generator of the Python client has no type for."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve for all tests of this file."""
    with serving(tmp_path_factory.mktemp("served")) as served:
        yield served


@pytest.fixture(scope="module")
def python_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Generate the Python client; gives the folder it can be imported from, with the driver in it."""
    folder = tmp_path_factory.mktemp("python")
    generator = str(Path(sys.executable).with_name("openapi-python-client"))
    made = folder / "cotterline_client"
    options = [
        "--path",
        str(_understood(folder)),
        "--output-path",
        str(made),
        "--config",
        str(DRIVERS / "generator.yaml"),
    ]
    # It skips what it does not understand and warns: here a warning is a failure.
    finished = node.run([generator, "generate", *options, "--meta", "none", "--fail-on-warning"], folder)
    assert finished.returncode == 0, finished.stdout + finished.stderr
    shutil.copy(DRIVERS / "drive.py", folder)
    return folder


def _understood(folder: Path) -> Path:
    """The document without what the generator cannot do: of a body of two kinds the CSV, pictures, and streams."""
    document = json.loads(DOCUMENT.read_bytes())
    for path, item in [*document["paths"].items()]:
        for operation in item.values():
            operation.get("requestBody", {}).get("content", {}).pop("text/csv", None)
        bodies = [operation.get("requestBody", {}) for operation in item.values()]
        answers = [answer for operation in item.values() for answer in operation["responses"].values()]
        if any(BEYOND & set(each.get("content", {})) for each in bodies + answers):
            del document["paths"][path]
    written = folder / "openapi.json"
    written.write_text(json.dumps(document))
    return written


@pytest.fixture(scope="module")
def typescript_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Generate the TypeScript types; gives their folder, with the driver in it."""
    folder = tmp_path_factory.mktemp("typescript")
    (folder / "node_modules").symlink_to(node.INSTALLED)
    (folder / "package.json").write_text('{"type": "module"}')
    for name in ("drive.ts", "tsconfig.json"):
        shutil.copy(DRIVERS / name, folder)
    finished = node.tool(
        "openapi-typescript", DOCUMENT, "--default-non-nullable=false", "--output", folder / "api.d.ts", folder=folder
    )
    assert finished.returncode == 0, finished.stdout + finished.stderr
    return folder


def _types_of_python(folder: Path, driver: str = "drive") -> node.Finished:
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file=", "--cache-dir", str(folder / ".cache")]
    return node.run([*command, "-p", "cotterline_client", "-m", driver], folder)


def _types_of_typescript(folder: Path) -> node.Finished:
    return node.tool("tsc", "--project", folder, folder=folder)


def _saw(served: Served, finished: node.Finished) -> None:
    """Hold what a driver printed against what the service itself says."""
    assert finished.returncode == 0, finished.stdout + finished.stderr
    seen: dict[str, Any] = msgspec.json.decode(finished.stdout)
    headers = {"Authorization": f"Bearer {served.key}"}
    quote = httpx.get(f"{served.address}/v1/quotes/{UUID(seen['id'])}", headers=headers).json()
    lines = quote["result"]["parts"]["lines"]
    assert seen == {
        "id": quote["id"],
        "again": quote["id"],
        "read": True,
        "summary": quote["result"]["summary"],
        "order": [line["name"] for line in lines if line["supply"] == "order"],
        "listed": seen["listed"],
        "refused": ["/problems/impossible-value", ["/evidence/1/reading/value"]],
    }
    assert seen["id"] in seen["listed"]
    assert seen["order"]


def test_the_python_client_and_what_is_written_against_it_pass_strict_typing(python_client: Path) -> None:
    finished = _types_of_python(python_client)
    assert finished.returncode == 0, finished.stdout + finished.stderr


def test_the_python_client_does_the_main_job(python_client: Path, served: Served) -> None:
    _saw(served, node.run([sys.executable, "-W", "error", "drive.py", served.address, served.key], python_client))


def test_a_member_the_service_does_not_know_fails_the_types_of_python(python_client: Path) -> None:
    (python_client / "wrong.py").write_text((DRIVERS / "drive.py").read_text().replace("leaf=24", "leaves=24"))
    finished = _types_of_python(python_client, "wrong")
    assert (finished.returncode, 'Unexpected keyword argument "leaves"' in finished.stdout) == (1, True)


def test_a_member_the_service_does_not_know_fails_the_types_of_typescript(typescript_client: Path) -> None:
    wrong = typescript_client / "wrong.ts"
    wrong.write_text((DRIVERS / "drive.ts").read_text().replace("leaf: 24", "leaves: 24"))
    finished = _types_of_typescript(typescript_client)
    wrong.unlink()
    assert (finished.returncode, "'leaves' does not exist in type" in finished.stdout) == (2, True), finished.stdout


def test_the_typescript_client_compiles_strictly_and_does_the_main_job(typescript_client: Path, served: Served) -> None:
    finished = _types_of_typescript(typescript_client)
    assert finished.returncode == 0, finished.stdout + finished.stderr
    _saw(served, node.run(["node", "drive.js", served.address, served.key], typescript_client))
