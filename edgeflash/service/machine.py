"""What this machine and the gateway on it are called towards OPC UA peers."""

from __future__ import annotations

import re
import socket
from collections.abc import Sequence
from ipaddress import ip_address


def application_uri(site_name: str) -> str:
    """The application's URI (OPC 10000-6, 6.2.2): tells sites and machines apart."""
    slug = re.sub(r"[^a-z0-9]+", "-", site_name.lower()).strip("-") or "site"
    return f"urn:{socket.gethostname()}:edgeflash:{slug}"


def host_names(given: Sequence[str] = ()) -> tuple[str, ...]:
    """By which names and addresses it is reached: those given, and what it knows by itself."""
    names = [socket.gethostname(), *given, socket.getfqdn(), "localhost", "127.0.0.1"]
    return tuple(dict.fromkeys(name for name in names if name and not _useless(name)))


def _useless(name: str) -> bool:
    """True for what no client can connect to: every address, or a reverse name."""
    try:
        return ip_address(name).is_unspecified
    except ValueError:
        return name.endswith(".arpa")
