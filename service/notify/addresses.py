"""Which addresses a webhook may be sent to.

Owns the rule against server-side request forgery: the address that was checked is the one to connect to
(a name that resolves differently a moment later changes nothing). It must never connect itself.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Sequence

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], Sequence[str]]

# Instance-metadata services of hosting providers outside the link-local range (from memory).
METADATA = frozenset(
    ipaddress.ip_address(text) for text in ("fd00:ec2::254", "100.100.100.200", "168.63.129.16", "192.0.0.192")
)
NAT64 = ipaddress.ip_network("64:ff9b::/96")  # RFC 6052 2.1


def resolve(host: str, port: int) -> list[str]:
    """Every address of `host`, in the system's order of preference; OSError when there is none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(sockaddr[0]) for *_, sockaddr in found))


def refusal(text: str, *, allow_private: bool) -> str | None:
    """Why this address must not be connected to, or None.

    Link-local (with every metadata service there), other metadata addresses, multicast, unspecified and
    reserved ones are always refused; loopback, private and otherwise not globally reachable ones unless
    `allow_private`. An IPv4 address inside an IPv6 one is judged as what it is.
    """
    outer = ipaddress.ip_address(text)
    address = _inner(outer)
    if address.is_link_local:
        return "is link-local (metadata services are there)"
    if address in METADATA or outer in METADATA:
        return "is a metadata service"
    if address.is_multicast:
        return "is multicast"
    if address.is_unspecified or (address.is_reserved and not address.is_loopback):
        return "is not an address of a host"
    if not allow_private and not address.is_global:
        return "is private, and allow_private is false"
    return None


def _inner(address: Address) -> Address:
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    teredo = address.teredo
    return address.ipv4_mapped or address.sixtofour or (teredo[1] if teredo else address)
