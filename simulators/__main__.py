"""Command line: `python -m simulators` serves a scenario by Modbus TCP, a serial line or OPC UA."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from simulators.errors import SimulatorError
from simulators.faults import parse_fault
from simulators.fleet import Fleet, ready_line
from simulators.scenarios import AnalyzerPlan, demo, single, steady


def parser() -> argparse.ArgumentParser:
    """The options."""
    made = argparse.ArgumentParser(
        prog="python -m simulators",
        description="Serves simulated online flash point analyzers over Modbus TCP on 127.0.0.1.",
        epilog="Prints one JSON line with the ports when ready; logs to standard error.",
    )
    made.add_argument("--scenario", choices=("demo", "steady"), default="demo")
    made.add_argument("--analyzers", type=int, default=3, help="how many, for steady")
    made.add_argument("--single", action="store_true", help="one analyzer with --fault")
    made.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="KIND:STRENGTH:FROM:TO",
        help="with --single; cycles count from 1; an empty strength is the usual one",
    )
    made.add_argument("--speed", type=float, default=1.0, help="simulated seconds per second")
    made.add_argument("--seed", type=int, default=0)
    made.add_argument("--truth", type=Path, help="JSON lines file of what really happened")
    made.add_argument("--port-base", type=int, default=0, help="first port; 0 takes free ones")
    made.add_argument(
        "--line",
        type=Path,
        metavar="LINK",
        help="one serial line instead of ports: a pseudo terminal, linked here; units 1, 2, 3, …",
    )
    made.add_argument("--cycles", type=int, default=0, help="stop after so many of each; 0 never")
    made.add_argument("--start-number", type=int, default=1, help="number of the first cycle")
    made.add_argument("--opcua", action="store_true", help="serve each over OPC UA as well")
    made.add_argument("--until-stdin-closes", action="store_true")
    return made


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs until stopped; returns the exit code: 0 ended as asked, 2 wrong use."""
    made = parser()
    options = made.parse_args(arguments)
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(name)s %(message)s"
    )
    logging.getLogger("pymodbus").setLevel(logging.WARNING)
    if options.fault and not options.single:
        made.error("--fault needs --single")
    if options.speed <= 0.0 or options.analyzers < 1 or options.cycles < 0:
        made.error("--speed and --analyzers must be positive, --cycles not negative")
    if not 0 <= options.start_number <= 65535:
        made.error("--start-number must be within 0..65535")
    try:
        plans = _plans(options)
        asyncio.run(_serve(options, plans))
    except SimulatorError as error:
        print(f"python -m simulators: {error}", file=sys.stderr)
        return 2
    return 0


def _plans(options: argparse.Namespace) -> list[AnalyzerPlan]:
    if options.single:
        return single([parse_fault(text) for text in options.fault])
    return demo() if options.scenario == "demo" else steady(options.analyzers)


async def _serve(options: argparse.Namespace, plans: Sequence[AnalyzerPlan]) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    if options.until_stdin_closes:
        _watch_stdin(loop, stop)
    with contextlib.ExitStack() as opened:
        truth = None
        if options.truth is not None:
            truth = opened.enter_context(options.truth.open("a", encoding="utf-8"))
        fleet = Fleet(
            plans,
            seed=options.seed,
            speed=options.speed,
            port_base=options.port_base,
            line=options.line,
            cycles=options.cycles,
            start_number=options.start_number,
            truth=truth,
            opcua=options.opcua,
        )
        try:
            print(ready_line(await fleet.start()), flush=True)
            await fleet.run(stop)
        finally:
            await fleet.close()


def _watch_stdin(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    """Sets stop at the end of standard input; a daemon thread, since stdin may be a file.

    os.read, because a thread left inside the buffered reader's lock aborts the interpreter's exit.
    """

    descriptor = sys.stdin.fileno()

    def wait() -> None:
        while os.read(descriptor, 4096):
            pass
        with contextlib.suppress(RuntimeError):  # the loop may be closed already
            loop.call_soon_threadsafe(stop.set)

    threading.Thread(target=wait, name="stdin", daemon=True).start()


if __name__ == "__main__":
    sys.exit(main())
