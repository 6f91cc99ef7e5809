"""Our OPC UA server as a process of its own, so that its memory is nobody else's.

Run as `python -m tests.hostile.serve_opcua STATE_DIR`. Prints a JSON line with its endpoint, then
one with its counts for each line of its standard input, and ends with that.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sys
from pathlib import Path
from typing import Any

import structlog

from tests.integration.outlets.secured import Plant, secured
from tests.unit.outlets.builders import accepted_view


def counts(plant: Plant) -> dict[str, int]:
    """What is alive in this process, after a collection of garbage."""
    gc.collect()
    server: Any = plant.server
    descriptors = Path("/proc/self/fd")
    links = [str(one.readlink()) for one in descriptors.iterdir() if one.is_symlink()]
    resident = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return {
        "tasks": len(asyncio.all_tasks()),
        "sockets": sum(link.startswith("socket:") for link in links),
        "connections": len(server.bserver.clients),
        "sessions": len(server.iserver._external_sessions),
        "subscriptions": len(server.iserver.subscription_service.subscriptions),
        "objects": len(gc.get_objects()),
        "resident_bytes": resident * os.sysconf("SC_PAGE_SIZE"),
    }


async def main(state: Path) -> None:
    """Serves until standard input ends, with a value that changes."""
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    loop = asyncio.get_running_loop()
    asked = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(asked), sys.stdin)
    async with secured(state, allow_open_endpoint=True, accept_inputs=True) as plant:
        certificate, key = plant.trusted.files(state / "given")
        print(
            json.dumps(
                {
                    "endpoint": plant.outlet.endpoint,
                    "certificate": str(certificate),
                    "key": str(key),
                }
            ),
            flush=True,
        )
        number = 0
        while await asked.readline():
            number += 1
            await plant.outlet.publish([accepted_view(value_c=62.5, cycle_number=100 + number)])
            print(json.dumps(counts(plant)), flush=True)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
