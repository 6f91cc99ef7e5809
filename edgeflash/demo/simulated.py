"""Starts the simulated analyzers as a process of their own: they share no code with the gateway."""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import dataclass
from pathlib import Path

from edgeflash.errors import EdgeflashError

START_TIMEOUT_S = 30.0
END_TIMEOUT_S = 3.0


class SimulatorsFailedError(EdgeflashError):
    """The simulated analyzers did not start."""


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where one simulated analyzer listens."""

    id: str
    host: str
    port: int


class SimulatedAnalyzers:
    """The simulator process. Its standard input is held open: it ends with us, whatever happens."""

    def __init__(self, folder: Path, speed: float, seed: int) -> None:
        self.truth_path = folder / "truth.jsonl"
        self._log_path = folder / "simulators.log"
        self._arguments = ("--speed", f"{speed:g}", "--seed", str(seed))
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> tuple[Endpoint, ...]:
        """Starts them and waits until they listen."""
        with self._log_path.open("wb") as log:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                *("-m", "simulators", "--scenario", "demo", *self._arguments),
                *("--truth", str(self.truth_path), "--until-stdin-closes"),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=log,
                start_new_session=True,  # a Ctrl-C is for the gateway; it ends them itself
            )
        stdout = self._process.stdout
        try:
            async with asyncio.timeout(START_TIMEOUT_S):
                line = await stdout.readline() if stdout else b""
            announced = json.loads(line)["analyzers"]
        except (TimeoutError, ValueError, KeyError) as error:
            await self.stop()
            raise SimulatorsFailedError(
                f"the simulated analyzers did not start; see {self._log_path}"
            ) from error
        return tuple(Endpoint(a["id"], a["host"], a["port"]) for a in announced)

    async def stop(self) -> None:
        """Ends them."""
        process = self._process
        if process is None or process.returncode is not None:
            return
        process.terminate()
        try:
            async with asyncio.timeout(END_TIMEOUT_S):
                await process.wait()
        except TimeoutError:
            process.kill()
            await process.wait()
