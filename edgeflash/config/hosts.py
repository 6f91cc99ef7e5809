"""What may stand as a host, an address or a network in the site file."""

from __future__ import annotations

import re
from ipaddress import ip_address, ip_interface, ip_network

_LABEL = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)")
_NUMERIC = re.compile(r"[0-9.]+")
WILDCARDS = frozenset({"0.0.0.0", "::"})


def host_problem(host: str) -> str | None:
    """What is wrong with a host, or None. Names: RFC 1123, 2.1; underscores are let through."""
    advice = 'write the name or the address alone, like "10.20.0.11"'
    if not host:
        return f"is empty; {advice}"
    if is_address(host):
        return None
    if "://" in host or "/" in host or " " in host or ":" in host:
        return f'"{host}" is no host: {advice}'
    if _NUMERIC.fullmatch(host):
        return f'"{host}" is no IP address: it has four numbers from 0 to 255'
    labels = host.removesuffix(".").split(".")
    if len(host) > 253 or not all(_LABEL.fullmatch(label) for label in labels):
        return f'"{host}" is no host name: letters, digits and hyphens, parts separated by dots'
    return None


def network_problem(entry: str) -> str | None:
    """What is wrong with an entry of an allow list, or None: one address, or a network."""
    try:
        ip_network(entry)
    except ValueError:
        pass
    else:
        return None
    try:
        network = ip_interface(entry).network
    except ValueError:
        return f'"{entry}" is no IP address or network, like "10.20.0.11" or "10.20.0.0/24"'
    return f'"{entry}" is an address within a network: write "{network}" for the whole network'


def is_address(host: str) -> bool:
    """True for an IPv4 or IPv6 address."""
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def is_loopback(host: str) -> bool:
    """True when only this machine can reach a server on the host."""
    return host.lower() == "localhost" or (is_address(host) and ip_address(host).is_loopback)


def collide(one: str, other: str) -> bool:
    """True when two servers on one port cannot have these hosts: the same, or one is all of them.

    The IPv6 wildcard does not take IPv4: asyncio binds it IPv6 only.
    """
    a, b = _plain(one), _plain(other)
    if a == b:
        return True
    same_family = (":" in a) == (":" in b)
    return same_family and bool({a, b} & WILDCARDS)


def _plain(host: str) -> str:
    if host.lower() == "localhost":
        return "127.0.0.1"
    return str(ip_address(host)) if is_address(host) else host.lower()
