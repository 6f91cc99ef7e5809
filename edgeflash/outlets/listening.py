"""Where an outlet listens: addresses, who may connect, who counts as one client, and the error when
it cannot."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Any

from edgeflash.errors import EdgeflashError


class OutletError(EdgeflashError):
    """An outlet cannot work as configured; says which, where and what to do."""


def _address_of(text: str) -> IPv4Address | IPv6Address | None:
    """The address in `text`, without an interface suffix; IPv4 inside IPv6 counts as IPv4."""
    try:
        address = ip_address(text.split("%", 1)[0])
    except ValueError:
        return None
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped
    return address


@dataclass(frozen=True, slots=True)
class AllowList:
    """Client addresses that may connect; no entries means everyone."""

    networks: tuple[IPv4Network | IPv6Network, ...]

    @classmethod
    def of(cls, entries: Sequence[str]) -> AllowList:
        """From addresses ("192.0.2.7") and networks ("192.0.2.0/24").

        Raises OutletError naming the entry that is neither.
        """
        networks = []
        for entry in entries:
            try:
                networks.append(ip_network(entry))
            except ValueError as error:
                raise OutletError(
                    f"allow: {entry!r} is not an address or a network ({error}); "
                    'write for example "192.0.2.7" or "192.0.2.0/24"'
                ) from error
        return cls(tuple(networks))

    def admits(self, peer: str) -> bool:
        """True when a client at this address may connect."""
        if not self.networks:
            return True
        address = _address_of(peer)
        return address is not None and any(address in network for network in self.networks)


def client_key(peer: Any) -> str:
    """What counts as one client: an IPv4 address, or an IPv6 network of 64 bits, where one machine
    may have as many addresses as it likes. peer: as a socket gives it, or None."""
    text = str(peer[0]) if peer else "?"
    if ":" not in text:
        return text
    if text.lower().startswith("::ffff:") and "." in text:
        return text.rsplit(":", 1)[1]
    try:
        packed = socket.inet_pton(socket.AF_INET6, text.split("%", 1)[0])
    except OSError:
        return text
    return socket.inet_ntop(socket.AF_INET6, packed[:8] + bytes(8)) + "/64"


async def bind_host(host: str, port: int) -> str:
    """The host to bind. With port 0, one address: else each would get a port of its own."""
    if port != 0:
        return host
    loop = asyncio.get_running_loop()
    try:
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError as error:
        raise cannot_listen("outlet", host, port, error) from error
    return str(found[0][4][0])


def cannot_listen(outlet: str, host: str, port: int, error: OSError) -> OutletError:
    """The error for a server socket that the system refuses."""
    return OutletError(
        f"the {outlet} cannot listen on {host} port {port}: "
        f"{error.strerror or error}; "
        "is another program on that port, is the address this machine's, may this user use it?"
    )
