"""A flash point analyzer as an image of registers in memory, and the map that describes it.

Every register of cycle n is derived from n, so a body mixed from two cycles gives itself away.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Generator, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from edgeflash.config.register_map import (
    Encoding,
    MapHeader,
    RegisterMap,
    RolePlace,
    Table,
)
from edgeflash.links.plan import Block
from edgeflash.model import Phase, Role

T = TypeVar("T")

SAMPLES = 40
PULSE_SAMPLES = 300
RING = 8
START = datetime(2026, 3, 1, tzinfo=UTC)


def _at(address: int, encoding: Encoding, **more: Any) -> RolePlace:
    return RolePlace(**{"table": Table.INPUT, "address": address, "type": encoding, **more})


def analyzer_map(without: Iterable[Role] = (), **header: Any) -> RegisterMap:
    """The image's map. without: roles left out; header: overrides of the map's header."""
    f32, u16, u32 = Encoding.FLOAT32, Encoding.UINT16, Encoding.UINT32
    roles = {
        Role.CYCLE_NUMBER: _at(0, u16, wraps_at=999, first=1),
        Role.PHASE: _at(1, u16, values=dict(enumerate(Phase))),
        Role.ALIVE: _at(2, u16),
        Role.RESULT_TIME: _at(4, u32, unit="epoch_s"),
        Role.FLASH_POINT: _at(6, f32, unit="degC"),
        Role.SAMPLE_TEMPERATURE: _at(8, f32, unit="degC"),
        Role.PEAK_PRESSURE: _at(40, f32, unit="kPa"),
        Role.HEATING_RATE: _at(80, f32, unit="degC/min"),
        Role.TRACE_CYCLE: _at(998, u16),
        Role.TRACE_LENGTH: _at(999, u16),
        Role.TRACE_TIME: _at(1000, u16, count=SAMPLES, scale=0.01, unit="s"),
        Role.TRACE_TEMPERATURE: _at(1200, f32, count=SAMPLES, unit="degC"),
        Role.TRACE_PRESSURE: _at(1400, f32, count=SAMPLES, unit="kPa"),
        Role.RECENT_NUMBER: _at(500, u16, count=RING, stride=6),
        Role.RECENT_TIME: _at(501, u32, count=RING, stride=6, unit="epoch_s"),
        Role.RECENT_FLASH_POINT: _at(503, f32, count=RING, stride=6, unit="degC"),
    }
    head = {"name": "image", "protocol": "modbus", "addressing": "zero_based", **header}
    left = {role: where for role, where in roles.items() if role not in set(without)}
    return RegisterMap(map=MapHeader(**head), roles=left)


def pulse_map(without: Iterable[Role] = (), **header: Any) -> RegisterMap:
    """The map with the fast pulse: its interval in ms, its samples in eighths of a kPa."""
    f32, i16, u16 = Encoding.FLOAT32, Encoding.INT16, Encoding.UINT16
    roles = {
        Role.PULSE_CYCLE: _at(2000, u16),
        Role.PULSE_LENGTH: _at(2001, u16),
        Role.PULSE_INTERVAL: _at(2002, f32, unit="ms"),
        Role.PULSE_PRESSURE: _at(
            2100, i16, count=PULSE_SAMPLES, unit="kPa", scale=0.125, unavailable=(-32768,)
        ),
    }
    plain = analyzer_map(without, **header)
    left = {role: where for role, where in roles.items() if role not in set(without)}
    return plain.model_copy(update={"roles": {**plain.roles, **left}})


class AnalyzerImage:
    """The registers. `finish` ends a cycle; before_read(k) is called ahead of the k-th read."""

    def __init__(self, number: int = 0) -> None:
        self.words: dict[int, int] = {}
        self.history: list[tuple[int, datetime]] = []
        self.before_read: Callable[[int], None] = lambda _: None
        self.reads: list[Block] = []
        if number:
            self.finish(number)

    def finish(self, number: int, time: datetime | None = None, *, with_trace: bool = True) -> None:
        """The registers after cycle `number` at `time`."""
        time = time or START + timedelta(minutes=number)
        self.history = [*self.history, (number, time)][-RING:]
        self.put(0, struct.pack(">HHH", number, 0, number))
        self.put(4, struct.pack(">I", int(time.timestamp())))
        for address in (6, 8, 40, 80):
            self.put(address, struct.pack(">f", number + address / 128))
        for place, (n, t) in enumerate(self.history):
            record = struct.pack(">HIf", n, int(t.timestamp()), n + 0.5)
            self.put(500 + 6 * place, record)
        self.finish_pulse(number)
        if with_trace:
            self.finish_trace(number)

    def finish_trace(self, number: int) -> None:
        """The trace block of a cycle: `SAMPLES - number % 7` samples, 0.25 s apart."""
        self.put(998, struct.pack(">HH", number, SAMPLES - number % 7))
        self.put(1000, struct.pack(f">{SAMPLES}H", *(25 * i for i in range(SAMPLES))))
        self.put(1200, struct.pack(f">{SAMPLES}f", *[float(number)] * SAMPLES))
        self.put(1400, struct.pack(f">{SAMPLES}f", *[number + 0.25] * SAMPLES))

    def finish_pulse(self, number: int) -> None:
        """The fast pulse of a cycle: `PULSE_SAMPLES - number % 7` samples, 0.5 ms apart."""
        self.put(2000, struct.pack(">HHf", number, PULSE_SAMPLES - number % 7, 0.5))
        self.put(2100, struct.pack(f">{PULSE_SAMPLES}h", *[8 * number] * PULSE_SAMPLES))

    def put(self, address: int, data: bytes) -> None:
        """Write big-endian bytes from a register on."""
        for offset in range(0, len(data), 2):
            self.words[address + offset // 2] = int.from_bytes(data[offset : offset + 2], "big")

    async def read(self, table: Table, address: int, count: int) -> list[int]:
        """Serve one request."""
        assert table is Table.INPUT
        self.before_read(len(self.reads))
        self.reads.append(Block(table, address, count))
        return [self.words.get(a, 0) for a in range(address, address + count)]

    def play(self, steps: Generator[Block, list[int], T]) -> T:
        """Run the steps of a poll against the image, without a loop."""
        try:
            block = next(steps)
            while True:
                self.before_read(len(self.reads))
                self.reads.append(block)
                words = [self.words.get(a, 0) for a in range(block.address, block.end)]
                block = steps.send(words)
        except StopIteration as done:
            result: T = done.value
            return result
