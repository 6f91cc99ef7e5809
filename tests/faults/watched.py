"""What the control system sees of one analyzer while a test does something to the gateway."""

from __future__ import annotations

import asyncio
import struct
import tomllib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from pymodbus.client import AsyncModbusTcpClient

from edgeflash.points import CATALOGUE
from tests.faults.processes import GatewayProcess
from tests.waiting import until

PATIENCE_S = 180.0
REGISTER = {p.name: p.register for p in CATALOGUE}
GOOD = 0
NOT_THERE = 0xFFFFFFFF
"""What Modbus shows of a number that is not known."""


@dataclass(frozen=True)
class Seen:
    """What the control system reads at one instant."""

    quality: int
    reason: int
    age_s: float
    cycle: int
    clock: int
    error_s: float
    clock_alarm: int
    shortage_alarm: int
    heartbeat: int


@dataclass
class Watch:
    """Reads the outlet without pause."""

    client: AsyncModbusTcpClient
    seen: list[Seen] = field(default_factory=list)

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            # Two requests: one may ask for 125 registers at most.
            low = await self.client.read_input_registers(0, count=125, device_id=1)
            high = await self.client.read_input_registers(125, count=75, device_id=1)
            block = [*low.registers, *high.registers]
            self.seen.append(_seen(block))
            await asyncio.sleep(0.05)

    def cycle(self) -> int:
        """The cycle whose value is shown; 0 before the first."""
        cycle = self.seen[-1].cycle if self.seen else NOT_THERE
        return 0 if cycle == NOT_THERE else cycle

    async def cycles(self, more: int) -> None:
        """Waits until so many more cycles have been shown."""
        until_number = self.cycle() + more
        await until(lambda: self.cycle() >= until_number, PATIENCE_S)

    async def sees(self, condition: Callable[[Seen], bool]) -> None:
        """Waits until the newest look shows it."""
        await until(lambda: condition(self.seen[-1]), PATIENCE_S)


def _seen(block: list[int]) -> Seen:
    def of(name: str, kind: str) -> float:
        size = struct.calcsize(kind) // 2
        words = block[REGISTER[name] : REGISTER[name] + size]
        (value,) = struct.unpack(kind, struct.pack(f">{size}H", *words))
        return float(value)

    return Seen(
        quality=int(of("quality", ">H")),
        reason=int(of("reason_code", ">H")),
        age_s=of("age_s", ">f"),
        cycle=int(of("shown_cycle_number", ">I")),
        clock=int(of("clock_synchronisation", ">H")),
        error_s=of("clock_error_s", ">f"),
        clock_alarm=int(of("alarm_clock", ">H")),
        shortage_alarm=int(of("alarm_history_shortage", ">H")),
        heartbeat=int(of("heartbeat", ">H")),
    )


@asynccontextmanager
async def watched(gateway: GatewayProcess) -> AsyncIterator[Watch]:
    """The outlet read without pause, from the first accepted cycle on."""
    port = tomllib.loads(gateway.site.read_text("utf-8"))["modbus"][0]["port"]
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=PATIENCE_S)
    assert await client.connect()
    watch = Watch(client)
    reading = asyncio.create_task(watch.run())
    try:
        await until(
            lambda: reading.done() or (watch.seen and watch.seen[-1].quality == GOOD), PATIENCE_S
        )
        watch.seen.clear()
        await watch.cycles(1)
        yield watch
    finally:
        reading.cancel()
        with suppress(asyncio.CancelledError):
            await reading
        client.close()
