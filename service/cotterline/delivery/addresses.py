"""Which addresses may be posted to: a check of the very address a socket is about to dial, whatever name led there.

A shop chooses where it is posted to, and the service stands inside the operator's network: without this a shop could
have it knock at doors that are closed to the shop itself.
"""

import socket
from collections.abc import Callable, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final
from urllib.parse import urlsplit

from aiohttp.connector import AddrInfoType

Network = IPv4Network | IPv6Network

_PORTS: Final = {"http": 80, "https": 443}

REFUSAL: Final = "an address that may not be posted to"

_UNICAST: Final = IPv6Network("2000::/3")
"""All of IPv6 that is handed out to public hosts (RFC 4291, section 2.4; IANA, IPv6 Global Unicast Assignments)."""

_DENIED: Final = tuple(
    ip_network(text)
    for text in (
        "192.0.0.0/24",  # protocols (RFC 6890)
        "192.88.99.0/24",  # relays from 6to4 (RFC 7526)
        "2001::/23",  # protocols, among them Teredo, which holds an IPv4 address (RFC 2928, RFC 4380)
        "2002::/16",  # 6to4, which holds an IPv4 address (RFC 3056)
        "3fff::/20",  # documentation (RFC 9637)
    )
)
"""No public hosts, although ``is_global`` says so on some version of Python, or doors to another address."""


class RefusedAddressError(OSError):
    """A socket was about to dial an address that may not be posted to. It does not say which one."""

    def __init__(self) -> None:
        super().__init__(REFUSAL)


def may_be_posted_to(address: str, open_networks: Sequence[Network] = ()) -> bool:
    """Whether an address is a public host's, or in a network the operator opened.

    What is none of the kinds known to be public is refused.

    Args:
        address: as the socket would dial it.
        open_networks: those the operator opened.

    >>> may_be_posted_to("9.9.9.9"), may_be_posted_to("::ffff:127.0.0.1"), may_be_posted_to("64:ff9b::7f00:1")
    (True, False, False)
    """
    try:
        found = _unmapped(ip_address(address))
    except ValueError:
        return False
    if any(found in network for network in open_networks):
        return True
    if isinstance(found, IPv6Address) and found not in _UNICAST:
        return False
    return found.is_global and not found.is_multicast and not any(found in network for network in _DENIED)


def guarded(open_networks: Sequence[Network]) -> Callable[[AddrInfoType], socket.socket]:
    """Return what makes a socket for one address that a connection tries, and refuses to where it may not be dialled.

    Raises:
        RefusedAddressError: from what is returned.
    """

    def made(candidate: AddrInfoType) -> socket.socket:
        family, kind, protocol, _, dialled = candidate
        if family not in {socket.AF_INET, socket.AF_INET6} or not may_be_posted_to(str(dialled[0]), open_networks):
            raise RefusedAddressError
        return socket.socket(family, kind, protocol)

    return made


def origin(url: str) -> tuple[str, str, int | None]:
    """Scheme, host and port of an address (RFC 6454, section 4), the port that goes without saying included.

    >>> origin("http://Bench.example/a") == origin("http://bench.example:80")
    True
    """
    try:
        parts = urlsplit(url)
        port = parts.port or _PORTS.get(parts.scheme)
    except ValueError:
        return "", url, None
    return parts.scheme, parts.hostname or "", port


def _unmapped(address: IPv4Address | IPv6Address) -> IPv4Address | IPv6Address:
    """The IPv4 address that a socket of IPv6 dials for ``::ffff:a.b.c.d`` (RFC 4291, section 2.5.5.2)."""
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return mapped or address
