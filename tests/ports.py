"""Ports for servers that must be told one, or must come back to their own."""

from __future__ import annotations

import random
import socket

FIRST, LAST = 15_000, 32_000
"""Below the ports that Linux gives to connections by itself (ip(7): 32768 and above), which another
test running at the same time may be given at any moment."""


def free_port() -> int:
    """A TCP port that nobody listens on now, on any address of this machine."""
    for _ in range(100):
        port = random.randrange(FIRST, LAST)
        with socket.socket() as probe:
            try:
                probe.bind(("", port))
            except OSError:
                continue
            return port
    raise AssertionError("no free port was found")
