"""The installed command as an operator runs it: a process of its own, in a folder of its own."""

import http.client
import os
import socket
import subprocess
import sys
from pathlib import Path
from uuid import uuid4

COMMAND = (sys.executable, "-P", "-m", "cotterline.cli")
FIXTURES = Path(__file__).parents[1] / "demo_fixtures"
SECONDS = 60


def environment(**settings: str) -> dict[str, str]:
    """This process's environment with no settings of the service but these, 80 columns wide."""
    plain = {name: value for name, value in os.environ.items() if not name.startswith("COTTERLINE_")}
    return plain | {"COLUMNS": "80"} | settings


def free_port(address: str = "127.0.0.1") -> int:
    """A port of this machine that nobody listens on."""
    with socket.create_server((address, 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def run(*arguments: str, folder: Path, stdin: str = "", **settings: str) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return subprocess.run(  # noqa: S603 - this very program
        [*COMMAND, *arguments],
        cwd=folder,
        env=environment(**settings),
        input=stdin,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )


def ask(port: int, method: str, path: str, body: bytes | None = None, key: str = "") -> tuple[int, bytes]:
    """Send one request to a service on this machine; gives status and body."""
    headers = {"Content-Type": "application/json", "Idempotency-Key": str(uuid4())} | (
        {"Authorization": f"Bearer {key}"} if key else {}
    )
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=SECONDS)
    connection.request(method, path, body, headers)
    answer = connection.getresponse()
    content = answer.read()
    connection.close()
    return answer.status, content
