"""The link beside a bare pymodbus loop that reads the same registers of the same server.

Run `python tests/bench/bench_link.py`. Prints polls a second and CPU a poll of both, and their
ratio from the same run. The server runs in a process of its own, so its CPU is not counted.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import sys
import time
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pymodbus.client import AsyncModbusTcpClient

from edgeflash.links.connection import ModbusConnection
from edgeflash.links.encodings import decode
from edgeflash.links.reading import Mark, ReadingState, prepare
from edgeflash.links.source import read_scan
from edgeflash.model import Role
from tests.integration.links.peers import HOST, Device
from tests.unit.links.image import START, AnalyzerImage, analyzer_map

POLLS = 2000
ROUNDS = 5


async def _serve(report: Connection) -> None:
    device = Device(AnalyzerImage(7))
    await device.start()
    report.send(device.port)
    await asyncio.Event().wait()


def serve(report: Connection) -> None:
    """The device's process."""
    asyncio.run(_serve(report))


async def bare(port: int, blocks: list[tuple[int, int]]) -> tuple[float, float]:
    """Wall and CPU seconds of POLLS polls: read the blocks, decode nothing, check nothing."""
    client = AsyncModbusTcpClient(HOST, port=port, timeout=1, retries=1, reconnect_delay=0)
    assert await client.connect()
    wall, cpu = time.perf_counter(), time.process_time()
    for _ in range(POLLS):
        for address, count in blocks:
            await client.read_input_registers(address, count=count, device_id=1)
    took = time.perf_counter() - wall, time.process_time() - cpu
    client.close()
    return took


async def linked(port: int) -> tuple[float, float]:
    """Wall and CPU seconds of POLLS polls that end in a Scan (live group, no new cycle)."""
    reading = prepare("cup", analyzer_map())
    state = ReadingState(Mark(7, None), ring_due=False)
    connection = ModbusConnection(HOST, port, 1, 1.0, 1)
    await connection.open()
    wall, cpu = time.perf_counter(), time.process_time()
    for _ in range(POLLS):
        scan, state = await read_scan(
            connection, reading, state, datetime.now(UTC), time.monotonic()
        )
    took = time.perf_counter() - wall, time.process_time() - cpu
    assert scan.live[Role.CYCLE_NUMBER] == 7
    assert scan.body is None
    connection.close()
    return took


async def whole_cycle(port: int) -> tuple[float, int]:
    """Wall seconds and requests of a first scan: live, body, trace and ring."""
    reading = prepare("cup", analyzer_map())
    connection = ModbusConnection(HOST, port, 1, 1.0, 1)
    await connection.open()
    wall = time.perf_counter()
    scan, _ = await read_scan(connection, reading, ReadingState(None), START, 0.0)
    took = time.perf_counter() - wall
    assert scan.body is not None
    assert scan.body.trace is not None
    connection.close()
    groups = [reading.live, reading.body, reading.number, reading.number, reading.ring]
    groups += [reading.trace_header, reading.trace_header, reading.trace_arrays]
    return took, sum(len(group.plan.blocks) for group in groups if group is not None)


def decode_trace() -> float:
    """Seconds to decode 1024 samples of time (uint16), temperature and pressure (float32)."""
    places = {
        role: analyzer_map().roles[role].model_copy(update={"count": 1024})
        for role in (Role.TRACE_TIME, Role.TRACE_TEMPERATURE, Role.TRACE_PRESSURE)
    }
    words = [17000] * 2048
    start = time.perf_counter()
    for role, place in places.items():
        decode(role, place, words, analyzer_map().map.order)
    return time.perf_counter() - start


async def measure(port: int) -> None:
    """Alternate the two so that the machine's mood meets both."""
    live = prepare("cup", analyzer_map()).live.plan.blocks
    blocks = [(block.address, block.count) for block in live]
    plain, ours = [], []
    for _ in range(ROUNDS):
        plain.append(await bare(port, blocks))
        ours.append(await linked(port))
    for name, runs in (("bare pymodbus", plain), ("link", ours)):
        wall, cpu = (median(column) for column in zip(*runs, strict=True))
        print(f"{name:14} {POLLS / wall:8.0f} polls/s  {cpu / POLLS * 1e6:7.1f} µs CPU/poll")
    ratio = median(o[1] / p[1] for o, p in zip(ours, plain, strict=True))
    print(f"CPU of the link ÷ CPU of the bare loop: {ratio:.2f} (median of {ROUNDS} rounds)")
    took, requests = await whole_cycle(port)
    print(f"first scan with body, trace and ring: {requests} requests, {took * 1e3:.1f} ms")
    print(
        f"decoding a trace of 1024 samples: {median(decode_trace() for _ in range(9)) * 1e3:.1f} ms"
    )


def main() -> None:
    """Start the device, measure, end the device."""
    context = multiprocessing.get_context("spawn")
    receive, send = context.Pipe(duplex=False)
    process = context.Process(target=serve, args=(send,), daemon=True)
    process.start()
    try:
        asyncio.run(measure(receive.recv()))
    finally:
        process.kill()
        process.join()


if __name__ == "__main__":
    main()
