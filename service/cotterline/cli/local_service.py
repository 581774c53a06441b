"""The real service and its counterparts for as long as they are wanted: processes on free ports of this machine."""

import http.client
import os
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final, Self
from uuid import uuid4

from cotterline.api.drafts import IDEMPOTENCY_KEY

HOST: Final = "127.0.0.1"
LOG: Final = "service.log"
PRACTICE_LOG: Final = "practice.log"

_START_SECONDS: Final = 60.0
_STOP_SECONDS: Final = 40.0
_ANSWER_SECONDS: Final = 60.0
_POLL_SECONDS: Final = 0.05


class LocalServiceError(Exception):
    """The service did not start, or did not answer as it should."""


class LocalProcess:
    """One command of this program in a process of its own, listening on a free port; its log goes to a file.

    Settings in the environment are for other services and are left out.

    Args:
        folder: it runs in.
        command: what it is told, the address to listen on apart.
        log: name of its log file in the folder.
        settings: variables of its environment.
        ready_at: the path that answers once it is ready.
    """

    def __init__(self, folder: Path, command: list[str], log: str, settings: Mapping[str, str], ready_at: str) -> None:
        self.port = _free_port()
        self.url = f"http://{HOST}:{self.port}"
        self._headers: dict[str, str] = {}
        self._ready_at = ready_at
        self._log = folder / log
        own = {name: value for name, value in os.environ.items() if not name.startswith("COTTERLINE_")}
        # -P keeps a file of the folder from being taken for a module.
        program = [sys.executable, "-P", "-m", "cotterline.cli", *command, "--host", HOST, "--port", str(self.port)]
        with self._log.open("wb") as file:
            self._process = subprocess.Popen(  # noqa: S603 - this very program
                program,
                cwd=folder,
                env={**own, "COTTERLINE_PUBLIC_BASE_URL": self.url, **settings},
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=file,
            )

    def __enter__(self) -> Self:
        try:
            self._wait_until_ready()
        except BaseException:
            self.stop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def get(self, path: str) -> bytes:
        """The body of an answer with status 200."""
        return self._ask("GET", path, None, http.client.OK, {})

    def post(self, path: str, body: bytes) -> bytes:
        """Post JSON; the body of an answer with status 201."""
        headers = {"Content-Type": "application/json", IDEMPOTENCY_KEY: f'"{uuid4()}"'}
        return self._ask("POST", path, body, http.client.CREATED, headers)

    def put(self, path: str, kind: str, body: bytes) -> bytes:
        """Put a document in the place of whatever was there; the body of an answer with status 200."""
        return self._ask("PUT", path, body, http.client.OK, {"Content-Type": kind, "If-Match": "*"})

    def put_new(self, path: str, kind: str, body: bytes) -> bytes:
        """Put a document where none was; the body of an answer with status 200."""
        return self._ask("PUT", path, body, http.client.OK, {"Content-Type": kind, "If-None-Match": "*"})

    def patch(self, path: str, body: bytes) -> bytes:
        """Merge a patch into whatever version there is; the body of an answer with status 200."""
        headers = {"Content-Type": "application/merge-patch+json", "If-Match": "*"}
        return self._ask("PATCH", path, body, http.client.OK, headers)

    def act(self, path: str, body: bytes) -> bytes:
        """Post something that is done with what is there, whatever its version; the body of an answer with 200."""
        headers = {"Content-Type": "application/json", "If-Match": "*", IDEMPOTENCY_KEY: f'"{uuid4()}"'}
        return self._ask("POST", path, body, http.client.OK, headers)

    def wait(self) -> None:
        """Return when the service ends by itself."""
        self._process.wait()

    def stop(self) -> None:
        """Let it finish what it is at, and end it by force only if it does not."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(_STOP_SECONDS)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def _ask(self, method: str, path: str, body: bytes | None, expected: int, headers: dict[str, str]) -> bytes:
        status, answer = self._exchange(method, path, body, headers)
        if status != expected:
            raise LocalServiceError(f"{method} {path} was answered with {status}: {answer.decode(errors='replace')}")
        return answer

    def _exchange(self, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> tuple[int, bytes]:
        # Not through a proxy, whatever the environment says: this never leaves the machine.
        connection = http.client.HTTPConnection(HOST, self.port, timeout=_ANSWER_SECONDS)
        try:
            connection.request(method, path, body, self._headers | headers)
            answer = connection.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException) as error:
            raise LocalServiceError(f"{method} {path} was not answered: {error}") from error
        finally:
            connection.close()

    def _wait_until_ready(self) -> None:
        end = time.monotonic() + _START_SECONDS
        while True:
            if self._process.poll() is not None:
                raise LocalServiceError(f"the service did not start; its last words:\n{self._last_words()}")
            try:
                self.get(self._ready_at)
            except LocalServiceError as error:
                if time.monotonic() > end:
                    raise LocalServiceError(f"the service was not ready in {_START_SECONDS:g} s") from error
                time.sleep(_POLL_SECONDS)
            else:
                return

    def _last_words(self) -> str:
        return "\n".join(self._log.read_text(errors="replace").splitlines()[-5:])


class LocalService(LocalProcess):
    """``cotterline serve`` in a folder, on the database there. Requests carry the key."""

    def __init__(self, folder: Path, key: str, settings: Mapping[str, str] = MappingProxyType({})) -> None:
        super().__init__(folder, ["serve"], LOG, settings, "/health/ready")
        self._headers = {"Authorization": f"Bearer {key}"}


class LocalPracticeSupplier(LocalProcess):
    """``cotterline practice-supplier``, which replies without a pause to services on this machine alone."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, ["practice-supplier", "--pace", "0.2"], PRACTICE_LOG, MappingProxyType({}), "/")


def _free_port() -> int:
    with socket.create_server((HOST, 0)) as listener:
        port: int = listener.getsockname()[1]
        return port
