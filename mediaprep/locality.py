"""Whether a host is this computer itself, or on a link that leads nowhere else."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable
from typing import TypeAlias

Resolver: TypeAlias = Callable[[str], Iterable[str]]


def local_host(hosts: Iterable[str], resolve: Resolver | None = None) -> str | None:
    """Return the first of some hosts that is loopback, link-local or unspecified, by any of its addresses, else None.

    Names and odd spellings of addresses (`127.1`, `2130706433`) are resolved as the system does when it connects. A
    name that cannot be resolved now leads nowhere, so it is not local.
    """
    for host in hosts:
        if any(_is_local(address) for address in (resolve or _addresses)(host.strip("[]"))):
            return host
    return None


def _is_local(text: str) -> bool:
    address: ipaddress.IPv4Address | ipaddress.IPv6Address = ipaddress.ip_address(text.partition("%")[0])
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return address.is_loopback or address.is_link_local or address.is_unspecified


def _addresses(host: str) -> list[str]:
    try:
        return [str(found[4][0]) for found in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)]
    except (OSError, UnicodeError):
        return []
