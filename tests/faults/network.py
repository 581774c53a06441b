"""Hosts in network namespaces of their own, joined by a bridge; the outside is this namespace. Asks for root, ``ip``.

Two ways to lose the network, both without a word to either end, so that only a time limit notices, and one to bear:

- *cut*: the cable is pulled, nothing passes;
- *muted*: the host hears everything, and nothing it says arrives, since it has a wrong link address for who listens;
- *narrow*: whatever passes, either way, waits behind what was there before, and what finds no room to wait is lost.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Final, NamedTuple

NOWHERE: Final = "02:00:00:00:00:01"
"""A locally administered address that no card has (IEEE 802, the second bit of its first octet)."""

RATE: Final = "512kbit"
"""An answer to a quote takes a second then, half of what a client waits for."""

LATENCY: Final = "800ms"
"""So long may a packet wait."""


class MissingError(Exception):
    """No namespaces can be had here; the message says what is missing."""


class Cable(NamedTuple):
    """What joins one host to the outside.

    Attributes:
        namespace: the host's.
        end: the outside's, by name.
        address: the host's.
        outside: where the database, the supplier and the subscriber are.
        clients: where clients call from.
    """

    namespace: str
    end: str
    address: str
    outside: str
    clients: str

    def cut(self) -> None:
        """Pull it."""
        ip("link", "set", self.end, "down")

    def mute(self, *addresses: str) -> None:
        """Lose whatever the host says to these addresses."""
        for address in addresses:
            inside = ("-n", self.namespace, "neigh", "replace", address)
            ip(*inside, "lladdr", NOWHERE, "dev", "eth0", "nud", "permanent")

    def narrow(self) -> None:
        """Let through less than the host has to say (token bucket, tc-tbf(8))."""
        self._shape("replace", "tbf", "rate", RATE, "burst", "8kb", "latency", LATENCY)

    def mend(self) -> None:
        """Undo all of them."""
        self._shape("del", check=False)
        ip("link", "set", self.end, "up")
        for address in (self.outside, self.clients):
            ip("-n", self.namespace, "neigh", "del", address, "dev", "eth0", check=False)

    def _shape(self, change: str, *how: str, check: bool = True) -> None:
        for place, end in ((), self.end), (("-n", self.namespace), "eth0"):
            _run("tc", *place, "qdisc", change, "dev", end, "root", *how, check=check)


class Network(NamedTuple):
    """The addresses outside, for whatever serves and for clients, the network they are in, and each host's cable."""

    outside: str
    clients: str
    prefix: str
    cables: tuple[Cable, ...]


@contextmanager
def network(hosts: int) -> Iterator[Network]:
    """Join so many hosts to the outside until the block ends.

    Raises:
        MissingError: without root or ``ip``, or where the kernel has no namespaces.
    """
    if os.geteuid() != 0 or shutil.which("ip") is None:
        raise MissingError("run as root, with `ip` of iproute2: faults of a network need namespaces of their own")
    name = f"ctl{os.getpid() % 10**6}"
    with ExitStack() as stack:
        try:
            taken = ip("-o", "-4", "addr")
            third = next(n for n in range(1, 255) if f" 10.79.{n}." not in taken)
            outside, clients, prefix = f"10.79.{third}.1", f"10.79.{third}.2", f"10.79.{third}.0/24"
            ip("link", "add", name, "type", "bridge")
            stack.callback(ip, "link", "del", name)
            ip("addr", "add", f"{outside}/24", "dev", name)
            ip("addr", "add", f"{clients}/24", "dev", name)
            ip("link", "set", name, "up")
            cables = tuple(
                _join(stack, name, Cable(f"{name}-{n}", f"{name}v{n}", f"10.79.{third}.{n + 10}", outside, clients))
                for n in range(hosts)
            )
        except subprocess.CalledProcessError as error:
            raise MissingError(f"this kernel refuses a network namespace: {error.stderr.strip()}") from error
        yield Network(outside, clients, prefix, cables)


def ip(*arguments: str, check: bool = True) -> str:
    """Run ``ip``, and give what it says."""
    return _run("ip", *arguments, check=check)


def _run(*command: str, check: bool) -> str:
    return subprocess.run(command, check=check, capture_output=True, text=True).stdout  # noqa: S603 - all written here


def _join(stack: ExitStack, bridge: str, cable: Cable) -> Cable:
    ip("netns", "add", cable.namespace)
    stack.callback(ip, "netns", "del", cable.namespace)
    ip("link", "add", cable.end, "type", "veth", "peer", "name", "eth0", "netns", cable.namespace)
    ip("link", "set", cable.end, "master", bridge, "up")
    ip("-n", cable.namespace, "addr", "add", f"{cable.address}/24", "dev", "eth0")
    ip("-n", cable.namespace, "link", "set", "lo", "up")
    ip("-n", cable.namespace, "link", "set", "eth0", "up")
    return cable
