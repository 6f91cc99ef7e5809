"""The whole gateway with two flash cups on one serial line, and a third that nobody answers for."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.model import Result
from edgeflash.publication import LinkState, View
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultPlan
from simulators.serial_face import SerialFace
from tests.waiting import until

SPEED = 40.0
WAIT_S = 90.0
UNITS = {"kestrel-1": 1, "kestrel-2": 17}

SITE = """\
[site]
name = "Larkwater blending depot (simulated)"
state_dir = "."

[[modbus]]
host = "127.0.0.1"
port = 0

[[lines]]
id = "east"
device = "{device}"
baud = 115200
timeout_s = 0.5
late_s = 0.2
retries = 1
"""

ANALYZER = """
[[analyzers]]
id = "{id}"
number = {number}
map = "examples:bench-cup.toml"
line = "east"
unit_id = {unit}
poll_s = 0.2
backoff_first_s = 0.5
backoff_max_s = 2.0
basis = "reported"
analyzer_corrects_barometer = false
barometer_kpa = 101.0
"""


@asynccontextmanager
async def cups(device: Path) -> AsyncIterator[tuple[dict[str, SimulatedAnalyzer], SerialFace]]:
    """Two flash cups at work behind one pseudo terminal."""
    analyzers = {
        name: SimulatedAnalyzer(name, seed=5, faults=FaultPlan(), clock=time.time) for name in UNITS
    }
    face = SerialFace({unit: analyzers[name].image for name, unit in UNITS.items()})
    face.open_terminal(device)

    async def move() -> None:
        while True:
            await asyncio.sleep(0.02)
            for analyzer in analyzers.values():
                analyzer.advance(0.02 * SPEED)

    moving = asyncio.create_task(move())
    try:
        yield analyzers, face
    finally:
        moving.cancel()
        await asyncio.gather(moving, return_exceptions=True)
        await face.close()


@pytest.mark.slow
async def test_cups_on_one_line(tmp_path: Path) -> None:
    """Each cup's results are its own, with its trace; the dead one is down and hurts nobody.

    What the simulator reports for a cycle is known from its own record of the truth.
    """
    device = tmp_path / "east"
    text = SITE.format(device=device)
    for number, (name, unit) in enumerate([*UNITS.items(), ("kestrel-3", 99)], start=1):
        text += ANALYZER.format(id=name, number=number, unit=unit)
    path = tmp_path / "site.toml"
    path.write_text(text)
    results: list[Result] = []
    stop, ready = asyncio.Event(), asyncio.Event()
    with capture_logs() as lines:
        async with cups(device) as (analyzers, _):
            gateway = Gateway(checked_site(path), on_result=results.append)
            work = asyncio.create_task(gateway.run(stop, ready.set))
            try:
                await until(lambda: ready.is_set() or work.done(), 30.0)
                await until(
                    lambda: all(
                        len([r for r in results if r.cycle.analyzer == name]) >= 2 for name in UNITS
                    ),
                    WAIT_S,
                )
                await until(lambda: _view(gateway, "kestrel-3").link is LinkState.DOWN, 30.0)
                views = {name: _view(gateway, name) for name in (*UNITS, "kestrel-3")}
            finally:
                stop.set()
                await work
    for name in UNITS:
        told = {t.cycle_number: t.reported_c for t in analyzers[name].truths}
        for result in (r for r in results if r.cycle.analyzer == name):
            reported = result.computed.reported_c
            assert reported == pytest.approx(told[result.cycle.cycle_number], abs=1e-3)
        figures = views[name].link_figures
        assert figures.answers > 50 and figures.round_trip_p95_ms is not None
        assert views[name].link is LinkState.UP
    dead = views["kestrel-3"].link_figures
    assert dead.answers == 0 and dead.timeouts >= 2 and dead.round_trip_p95_ms is None
    downs = [line for line in lines if line.get("event") == "link down"]
    assert {line["analyzer"] for line in downs} == {"kestrel-3"}
    assert len(downs) == 1, "said once, not once per attempt"
    assert downs[0]["timeouts"] >= 1


def _view(gateway: Gateway, analyzer: str) -> View:
    return next(v for v in gateway.views() if v.standing.analyzer == analyzer).standing
