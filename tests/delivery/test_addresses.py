"""Only public hosts may be posted to, by the address that is dialled; whatever names lead elsewhere are refused."""

import ipaddress
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cotterline.delivery.addresses import RefusedAddressError, guarded, may_be_posted_to

PUBLIC = ["9.9.9.9", "1.1.1.1", "185.199.108.153", "2620:fe::fe", "2606:4700:4700::1111", "::ffff:9.9.9.9"]

REFUSED = [
    # IANA IPv4 Special-Purpose Address Registry (RFC 6890 and updates)
    "0.0.0.0",  # noqa: S104 - refused
    "0.1.2.3",
    "10.0.0.1",
    "100.64.0.1",
    "127.0.0.1",
    "127.255.255.254",
    "169.254.169.254",
    "172.16.0.1",
    "172.31.255.255",
    "192.0.0.1",
    "192.0.0.9",
    "192.0.0.192",
    "192.0.2.1",
    "192.88.99.1",
    "192.168.1.1",
    "198.18.0.1",
    "198.51.100.1",
    "203.0.113.1",
    "224.0.0.1",
    "239.255.255.255",
    "240.0.0.1",
    "255.255.255.255",
    # IANA IPv6 Special-Purpose Address Registry (RFC 6890 and updates)
    "::",
    "::1",
    "::127.0.0.1",
    "::9.9.9.9",
    "::ffff:127.0.0.1",
    "::ffff:10.0.0.1",
    "::ffff:169.254.169.254",
    "::ffff:224.0.0.1",
    "::ffff:0:7f00:1",
    "64:ff9b::7f00:1",
    "64:ff9b::909:909",
    "64:ff9b:1::1",
    "100::1",
    "2001::1",
    "2001:db8::1",
    "2001:10::1",
    "2001:20::1",
    "2002:7f00:1::1",
    "2002:909:909::1",
    "3fff::1",
    "3fff:fff::1",
    "5f00::1",
    "fc00::1",
    "fd00:ec2::254",
    "fe80::1",
    "fe80::1%lo",
    "fec0::1",
    "ff02::1",
    "ff0e::1",
    "4000::1",
    "e000::1",
    # no addresses
    "",
    "localhost",
    "127.1",
    "0x7f.1",
    "2130706433",
    "0177.0.0.1",
    "１２７.０.０.１",
    "9.9.9.9 ",
    "9.9.9.9/32",
]


@pytest.mark.parametrize("address", PUBLIC)
def test_a_public_host_may_be_posted_to(address: str) -> None:
    assert may_be_posted_to(address)


@pytest.mark.parametrize("address", REFUSED)
def test_what_is_no_public_host_may_not(address: str) -> None:
    assert not may_be_posted_to(address)


@given(st.integers(0, 2**32 - 1))
def test_an_address_is_the_same_mapped_into_ipv6(number: int) -> None:
    plain = ipaddress.IPv4Address(number)
    assert may_be_posted_to(f"::ffff:{plain}") == may_be_posted_to(str(plain))


@given(st.ip_addresses())
def test_what_the_standard_library_calls_private_never_passes(
    address: ipaddress.IPv4Address | ipaddress.IPv6Address,
) -> None:
    if may_be_posted_to(str(address)):
        mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
        dialled = mapped or address
        assert dialled.is_global
        assert not dialled.is_multicast
        assert not dialled.is_reserved


@pytest.mark.parametrize(
    ("network", "inside", "outside"),
    [
        ("127.0.0.0/8", "127.0.0.1", "10.0.0.1"),
        ("127.0.0.0/8", "::ffff:127.0.0.1", "::1"),
        ("10.1.0.0/16", "10.1.2.3", "10.2.0.1"),
        ("::1/128", "::1", "127.0.0.1"),
        ("fd00::/8", "fd12::1", "fc00::1"),
    ],
)
def test_a_network_the_operator_opened_is_open_and_no_other(network: str, inside: str, outside: str) -> None:
    opened = [ipaddress.ip_network(network)]
    assert may_be_posted_to(inside, opened)
    assert not may_be_posted_to(outside, opened)
    assert may_be_posted_to("9.9.9.9", opened)


def test_a_socket_is_made_for_an_address_that_may_be_dialled_and_for_no_other() -> None:
    make = guarded([])
    made = make((socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", ("9.9.9.9", 443)))
    assert (made.family, made.type) == (socket.AF_INET, socket.SOCK_STREAM)
    made.close()
    for candidate in (
        (socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", ("127.0.0.1", 443)),
        (socket.AF_INET6, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", ("::1", 443, 0, 0)),
        (socket.AF_UNIX, socket.SOCK_STREAM, 0, "", ("9.9.9.9", 443)),
    ):
        with pytest.raises(RefusedAddressError) as caught:
            make(candidate)
        assert "127" not in str(caught.value)
