"""The demonstration's site file, written for the ports that happen to be free."""

from __future__ import annotations

import contextlib
import random
import socket
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from edgeflash.demo.simulated import Endpoint

HEADER = "demo-site.toml"
ANALYZER = "demo-analyzer.toml"


FIRST_PORT, LAST_PORT = 20_000, 32_000
"""Below those that Linux gives to connections by itself (ip(7): from 32768 on), which could be
taken before the outlet listens."""


def free_port() -> int:
    """A TCP port on loopback that is free now; the system's choice where many are taken."""
    for port in random.sample(range(FIRST_PORT, LAST_PORT), 50):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        chosen: int = probe.getsockname()[1]
        return chosen


def demo_site_text(endpoints: Sequence[Endpoint], speed: float) -> str:
    """The text of the site file. speed: simulated seconds per second."""
    examples = resources.files("edgeflash.examples")
    header = (examples / HEADER).read_text("utf-8")
    parts = [_filled(header, OPCUA_PORT=free_port(), MODBUS_PORT=free_port())]
    each = (examples / ANALYZER).read_text("utf-8")
    for number, endpoint in enumerate(endpoints, start=1):
        parts.append(
            _filled(
                each,
                ID=endpoint.id,
                NUMBER=number,
                HOST=endpoint.host,
                PORT=endpoint.port,
                HOLD_S=f"{500 / speed:.3g}",
                SHORTEST_S=f"{90 / speed:.3g}",
                LONGEST_S=f"{300 / speed:.3g}",
                POLL_S=f"{min(1.0, max(0.1, 5 / speed)):.3g}",
            )
        )
    return "\n".join(parts)


def write_demo_site(folder: Path, endpoints: Sequence[Endpoint], speed: float) -> Path:
    """Writes the site file into the folder and returns its path."""
    path = folder / "site.toml"
    path.write_text(demo_site_text(endpoints, speed), "utf-8")
    return path


def _filled(text: str, **values: object) -> str:
    for name, value in values.items():
        text = text.replace(f"@{name}@", str(value))
    return text
