"""Runs several simulated analyzers against the wall clock, each behind its own server."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from simulators.analyzer import SimulatedAnalyzer, Truth
from simulators.fuel import product
from simulators.modbus_server import HOST, AnalyzerServer
from simulators.opcua_server import OpcUaFace
from simulators.scenarios import AnalyzerPlan
from simulators.serial_face import SerialFace

PACE_S = 0.02  # wall seconds between two steps of the model
LONGEST_STEP_S = 5.0  # wall seconds made up for at once after the process was held up

log = logging.getLogger("simulators")


class Fleet:
    """Analyzers, their servers and the truth file.

    speed: simulated seconds per wall second. port_base: first port, the others follow;
    0 takes free ones. line: one serial line instead, where a link to its pseudo terminal is made,
    with the analyzers as units 1, 2, 3, …. opcua: an OPC UA server for each as well, on the ports
    after those. cycles: stop after that many cycles of every analyzer, 0 never.
    """

    def __init__(
        self,
        plans: Sequence[AnalyzerPlan],
        *,
        seed: int,
        speed: float,
        port_base: int = 0,
        line: Path | None = None,
        cycles: int = 0,
        start_number: int = 1,
        truth: TextIO | None = None,
        opcua: bool = False,
    ) -> None:
        self._speed = speed
        self._cycles = cycles
        self._truth = truth
        self.analyzers = [
            SimulatedAnalyzer(
                plan.name,
                seed=seed,
                faults=plan.plan,
                fuel=product(plan.flash_c),
                start_number=start_number,
                clock=time.time,
                stream=plan.stream,
            )
            for plan in plans
        ]
        self._line = line
        self._face = SerialFace({n: one.image for n, one in enumerate(self.analyzers, start=1)})
        self.servers = [
            AnalyzerServer(one.image, port=port_base + place if port_base else 0)
            for place, one in enumerate(self.analyzers)
            if line is None
        ]
        count = len(self.analyzers)
        self.faces = [
            OpcUaFace(one.image, port=port_base + count + place if port_base else 0)
            for place, one in enumerate(self.analyzers)
            if opcua
        ]
        for one in self.analyzers:
            one.on_truth = self._record

    async def start(self) -> dict[str, object]:
        """Starts the servers; returns the line that says where they are."""
        found: list[dict[str, object]] = []
        if self._line is not None:
            self._face.open_terminal(self._line)
            for unit, analyzer in enumerate(self.analyzers, start=1):
                found.append({"id": analyzer.name, "device": str(self._line), "unit_id": unit})
        for analyzer, server in zip(self.analyzers, self.servers, strict=self._line is None):
            found.append({"id": analyzer.name, "host": HOST, "port": await server.start()})
        for one, face in zip(found, self.faces, strict=bool(self.faces)):
            one["opcua"] = await face.start()
        return {"ready": True, "analyzers": found}

    async def run(self, stop: asyncio.Event) -> None:
        """Moves the models on until stop is set or every analyzer has done its cycles."""
        before_s = time.monotonic()
        while not stop.is_set() and not self._done():
            try:
                async with asyncio.timeout(PACE_S):
                    await stop.wait()
            except TimeoutError:
                pass
            now_s = time.monotonic()
            passed_s = min(now_s - before_s, LONGEST_STEP_S)
            before_s = now_s
            for analyzer in self.analyzers:
                if not self._finished(analyzer):
                    analyzer.advance(passed_s * self._speed)
            for face in self.faces:
                await face.refresh()

    async def close(self) -> None:
        """Stops all servers, and takes the line away."""
        if self._line is not None:
            self._face.unplug_terminal(self._line)
        await self._face.close()
        for server in self.servers:
            await server.stop()
        for face in self.faces:
            await face.stop()

    def _finished(self, analyzer: SimulatedAnalyzer) -> bool:
        return bool(self._cycles) and len(analyzer.truths) >= self._cycles

    def _done(self) -> bool:
        return all(self._finished(one) for one in self.analyzers)

    def _record(self, truth: Truth) -> None:
        log.info(
            "%s cycle %d: reported %s, true flash %.2f °C, faults %s",
            truth.analyzer,
            truth.cycle_number,
            "none" if truth.reported_c is None else f"{truth.reported_c:.2f} °C",
            truth.true_flash_equilibrium_c,
            ", ".join(str(one.kind) for one in truth.faults) or "none",
        )
        if self._truth is not None:
            self._truth.write(truth.to_json() + "\n")
            self._truth.flush()


def ready_line(found: dict[str, object]) -> str:
    """The one line written to standard output."""
    return json.dumps(found)
