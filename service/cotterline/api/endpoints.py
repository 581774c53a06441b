"""Which addresses a shop may have things posted to: https, or http where the operator opened the network."""

from collections.abc import Iterator, Sequence
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Final

from cotterline.bench.errors import Fault
from cotterline.delivery.addresses import Network, origin
from cotterline.store.tenancy import Mode

_LOOPBACK: Final = (IPv4Address("127.0.0.1"), IPv6Address("::1"))
"""What ``localhost`` stands for, whatever a name server says (RFC 6761, section 6.3)."""


class Endpoints:
    """What the operator opened.

    Args:
        open_networks: networks that may be posted to although they are not public.
        practice_supplier: its address, which test data may be posted to; empty where there is none.
    """

    def __init__(self, open_networks: Sequence[Network] = (), practice_supplier: str = "") -> None:
        self._networks = tuple(open_networks)
        self.practice_supplier = practice_supplier

    def check(self, endpoint: str, mode: Mode, pointer: str) -> Iterator[Fault]:
        """Yield a fault where ``endpoint`` would carry what it is sent in the open.

        Only an address counts as being on an open network, not a name: a name may lead elsewhere tomorrow. Where the
        endpoint leads is looked at again at every post.
        """
        if endpoint.startswith("https://") or (mode == "test" and self._practises(endpoint)):
            return
        if not self._open(endpoint):
            words = "must be https; http is for addresses in a network the operator opened"
            yield Fault(pointer, words)

    def _practises(self, endpoint: str) -> bool:
        return bool(self.practice_supplier) and origin(endpoint) == origin(self.practice_supplier)

    def _open(self, endpoint: str) -> bool:
        return any(address in network for address in _addresses(endpoint) for network in self._networks)


def _addresses(url: str) -> tuple[IPv4Address | IPv6Address, ...]:
    """The addresses that the host itself states."""
    _, host, _ = origin(url)
    if host == "localhost":
        return _LOOPBACK
    try:
        return (ip_address(host),)
    except ValueError:
        return ()
