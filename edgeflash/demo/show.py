"""Runs the demonstration from start to summary."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console

from edgeflash.config.site import Site
from edgeflash.demo.screen import Screen, summary_table
from edgeflash.demo.simulated import SimulatedAnalyzers
from edgeflash.demo.site_file import write_demo_site
from edgeflash.errors import UsageError
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.model import Result
from edgeflash.outlets.opcua import PATH

STATE_EVERY_S = 0.25


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user asked for. for_s: None runs until Ctrl-C."""

    folder: Path
    for_s: float | None
    speed: float
    seed: int
    json: bool


async def show(wishes: Wishes, console: Console) -> int:
    """Runs the demonstration; 0 when cycles were judged, 1 when none came."""
    try:
        wishes.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--folder: cannot be made: {error}") from error
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    simulated = SimulatedAnalyzers(wishes.folder, wishes.speed, wishes.seed)
    try:
        endpoints = await simulated.start()
        site_path = write_demo_site(wishes.folder, endpoints, wishes.speed)
        site = checked_site(site_path)
        screen = Screen(console)
        if not wishes.json:
            _introduce(console, site, wishes)
        results = await _run(site, screen, stop, wishes, console)
    finally:
        await simulated.stop()
    if wishes.json:
        console.print_json(data=_summary(results, site), indent=None)
    else:
        _conclude(console, results, site)
    return 0 if results else 1


async def _run(
    site: Site, screen: Screen, stop: asyncio.Event, wishes: Wishes, console: Console
) -> list[Result]:
    def on_result(result: Result) -> None:
        if wishes.json:
            screen.results.append(result)
            console.print(json.dumps(as_record(result), ensure_ascii=False), soft_wrap=True)
        else:
            screen.show_result(result)

    gateway = Gateway(site, on_result=on_result)
    ready = asyncio.Event()
    work = asyncio.create_task(gateway.run(stop, ready.set))
    showing = asyncio.create_task(_show_state(gateway, screen, ready, stop, wishes))
    if not wishes.json:
        screen.start()
    try:
        await work
    finally:
        showing.cancel()
        screen.stop()
    return screen.results


async def _show_state(
    gateway: Gateway, screen: Screen, ready: asyncio.Event, stop: asyncio.Event, wishes: Wishes
) -> None:
    """Redraws the present state, and ends the demonstration when its time is over."""
    await ready.wait()
    loop = asyncio.get_running_loop()
    end_s = None if wishes.for_s is None else loop.time() + wishes.for_s
    while True:
        left_s = None if end_s is None else end_s - loop.time()
        if left_s is not None and left_s <= 0:
            stop.set()
            return
        remaining = "Ctrl-C ends" if left_s is None else f"ends in {left_s:.0f} s; Ctrl-C ends now"
        screen.show_state(gateway.views(), remaining)
        await asyncio.sleep(STATE_EVERY_S)


def as_record(result: Result) -> dict[str, object]:
    """One judged cycle for machines; temperatures in °C, times in UTC."""
    computed, cycle = result.computed, result.cycle
    return {
        "analyzer": cycle.analyzer,
        "epoch": cycle.epoch,
        "cycle_number": cycle.cycle_number,
        "verdict": result.verdict.value,
        "reasons": list(result.reasons),
        "findings": [f"{f.code} {f.rule}: {f.sentence}" for f in result.findings],
        "reported_c": computed.reported_c,
        "recomputed_c": computed.recomputed_c,
        "corrected_c": computed.corrected_c,
        "published_c": result.published_c,
        "possible_low_flash": result.low_flash_alarm,
        "sampled_at": result.sampled_at.isoformat(),
        "finished_at": cycle.finished_at.isoformat(),
    }


def _outlets(site: Site) -> list[str]:
    file = site.file
    found = [f"opc.tcp://{file.opcua.host}:{file.opcua.port}/{PATH}"] if file.opcua else []
    return found + [f"modbus-tcp://{server.host}:{server.port}" for server in file.modbus]


def _introduce(console: Console, site: Site, wishes: Wishes) -> None:
    console.print(f"[bold]{site.file.site.name}[/bold]")
    console.print(
        f"{len(site.file.analyzers)} simulated analyzers, {wishes.speed:g} simulated seconds a "
        "second. Each line: time in UTC, analyzer, cycle, verdict, flash point at standard "
        "pressure as it may be used; then the analyzer's own figure and ours with one standard "
        "deviation, in °C."
    )
    console.print("Read along at " + " and ".join(_outlets(site)) + " (this machine only).")
    console.print(
        "Not a safety function: local codes and licensed practice decide how a product may be "
        "handled.\n",
        style="yellow",
    )


def _conclude(console: Console, results: list[Result], site: Site) -> None:
    console.print(summary_table(results))
    folder = site.state_dir
    console.print(f"Everything is in {folder}", soft_wrap=True)
    console.print(f"  {sys.argv[0]} history list {site.path}", soft_wrap=True)
    console.print(f"  {sys.argv[0]} points {site.path}", soft_wrap=True)
    pattern = f"{site.history_dir}/results/**/*.parquet"
    console.print(
        f"  duckdb: SELECT analyzer, verdict, count(*) FROM '{pattern}' GROUP BY ALL",
        soft_wrap=True,
        markup=False,
    )


def _summary(results: list[Result], site: Site) -> dict[str, object]:
    verdicts = Counter(r.verdict.value for r in results)
    return {
        "summary": {
            "cycles": len(results),
            **{name: verdicts[name] for name in ("accepted", "doubtful", "rejected")},
            "folder": str(site.state_dir),
            "history": str(site.history_dir),
            "outlets": _outlets(site),
        }
    }
