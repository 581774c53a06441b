"""Requests by hand, where it matters what has been sent when, and the memory of the service that takes them."""

import socket
from pathlib import Path

from cotterline.api.bicycles.forms import JSON_LINES
from tests.serving import Served


class Wire:
    """A request by hand: what is sent and what has come back, part by part."""

    def __init__(self, served: Served, target: str = "POST /v1/quotes/stream", **headers: str) -> None:
        host, port = served.address.removeprefix("http://").split(":")
        self.socket = socket.create_connection((host, int(port)), timeout=20)
        given = {
            "Host": host,
            "Authorization": f"Bearer {served.key}",
            "Content-Type": JSON_LINES,
            "Transfer-Encoding": "chunked",
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        lines = [f"{target} HTTP/1.1", *(f"{name}: {value}" for name, value in given.items()), "", ""]
        self.socket.sendall("\r\n".join(lines).encode())
        self.held = b""

    def send(self, content: bytes) -> None:
        """Send one part."""
        self.socket.sendall(f"{len(content):x}\r\n".encode() + content + b"\r\n")

    def end(self) -> None:
        """Say that nothing more comes."""
        self.socket.sendall(b"0\r\n\r\n")

    def until(self, wanted: bytes) -> bytes:
        """Read until something has come."""
        while wanted not in self.held:
            more = self.socket.recv(65536)
            assert more, self.held[-300:]
            self.held += more
        before, _, self.held = self.held.partition(wanted)
        return before


def resident() -> int:
    """Kilobytes of memory of this process, which serves in a thread."""
    (line,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1])
