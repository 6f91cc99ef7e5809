"""What building the OPC UA address space costs, for 1 and for 20 analyzers.

Run `python -m tests.bench.bench_address_space`. The unit is a bare asyncua server with the
standard's own address space, which every start needs.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from asyncua import Server

from edgeflash.outlets.opcua_export import of_nodes
from edgeflash.outlets.opcua_model import Served, model_nodes
from edgeflash.outlets.opcua_nodes import build_nodes
from edgeflash.outlets.values import OutletUnits
from tests.bench.report import heading, in_turn, ratio, table
from tests.unit.outlets.builders import analyzer

ROUNDS = 5


def served(analyzers: int) -> Served:
    """So many analyzers."""
    every = tuple(analyzer(f"fp-{n:03}", n, method="d93-a") for n in range(1, analyzers + 1))
    return Served(every, OutletUnits("degC", "kPa"))


def build(analyzers: int) -> None:
    """A server with its address space; 0: the standard's alone."""

    async def work() -> None:
        server = Server()
        await server.init()
        if analyzers:
            await build_nodes(server, model_nodes(served(analyzers)))

    asyncio.run(work())


def main() -> None:
    """Measures and prints."""
    heading("OPC UA address space")
    works = {
        "the standard's alone": lambda: build(0),
        "with 1 analyzer": lambda: build(1),
        "with 20 analyzers": lambda: build(20),
        "file of 20 analyzers": lambda: of_nodes(model_nodes(served(20))),
    }
    seconds = in_turn(works, ROUNDS)
    unit = seconds["the standard's alone"]
    table(
        ("work", "ratio", "nodes of ours"),
        [
            (name, f"{ratio(took, unit):.2f}", str(count))
            for (name, took), count in zip(
                seconds.items(),
                (0, *(len(model_nodes(served(n))) for n in (1, 20, 20))),
                strict=True,
            )
        ],
    )


if __name__ == "__main__":
    main()
