"""Days of work in minutes: many analyzers, clients and links that come and go, and what is left.

Run `python -m tests.bench.soak --cycles 5000`. The gateway works in this process, so its tasks and
sockets can be counted; analyzers, and the clients and cut connections of `soak_churn`, are in
processes of their own. After a warm-up (the judging remembers the last 64 cycles of each analyzer)
memory is compared: the median of the first tenth with that of the last.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import gc
import json
import logging
import os
import re
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from time import monotonic

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from edgeflash.demo.simulated import Endpoint
from edgeflash.demo.site_file import write_demo_site
from edgeflash.gateway.gateway import Gateway
from edgeflash.gateway.site import checked_site
from edgeflash.model import Result
from edgeflash.service.logs import configure

ROOT = Path(__file__).resolve().parents[2]
REMEMBERED_CYCLES = 64
SAMPLE_S = 2.0
COLLECT_CYCLES = 100
PAGE_BYTES = os.sysconf("SC_PAGESIZE")


@dataclass(frozen=True, slots=True)
class Sample:
    """What this process holds at an instant. cycles: judged so far.

    rss_mb: pages in RAM, with what the allocators keep for later. in_use_mb: what is in use,
    as last looked at, after a collection of garbage.
    """

    at_s: float
    cycles: int
    rss_mb: float
    in_use_mb: float
    blocks: int
    tasks: int
    files: int


def resident_mb() -> float:
    """Memory of this process in RAM, MB."""
    return int(Path("/proc/self/statm").read_text("ascii").split()[1]) * PAGE_BYTES / 1e6


_LIBC = ctypes.CDLL(None)
_LIBC.fdopen.restype = ctypes.c_void_p
_FREE = re.compile(rb'<total type="(?:fast|rest)" count="\d+" size="(\d+)"/>')
_TAKEN = re.compile(rb'<system type="current" size="(\d+)"/>')
_MAPPED = re.compile(rb'<total type="mmap" count="\d+" size="(\d+)"/>')
_SMALL = re.compile(rb"# bytes in allocated blocks\s+=\s+([\d,]+)")


def in_use_mb() -> float:
    """What is in use, in MB: of every arena of the C heap (malloc_info(3)), and of Python's own.

    What the allocators only keep for later is not among them.
    """
    with tempfile.TemporaryFile() as file:
        stream = _LIBC.fdopen(os.dup(file.fileno()), b"w")
        _LIBC.malloc_info(0, ctypes.c_void_p(stream))
        _LIBC.fclose(ctypes.c_void_p(stream))
        file.seek(0)
        told = file.read()
    # The last figures of each kind are the sums of all arenas.
    free = sum(int(size) for size in _FREE.findall(told)[-2:])
    heap = int(_TAKEN.findall(told)[-1]) - free + int(_MAPPED.findall(told)[-1])
    return (heap + _small_blocks_bytes()) / 1e6


def _small_blocks_bytes() -> int:
    """Python tells it on the standard error only."""
    with tempfile.TemporaryFile() as file:
        kept = os.dup(2)
        os.dup2(file.fileno(), 2)
        try:
            sys._debugmallocstats()
        finally:
            os.dup2(kept, 2)
            os.close(kept)
        file.seek(0)
        found = _SMALL.search(file.read())
    return int(found[1].replace(b",", b"")) if found else 0


def open_files() -> int:
    """Files and sockets this process has open."""
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


class Soak:
    """One run: counts results and takes samples until enough cycles have been judged."""

    def __init__(self, site: Path, warm_up: int, cycles: int) -> None:
        self._site, self._warm_up, self._cycles = site, warm_up, cycles
        self._count = 0
        self._verdicts: dict[str, int] = {}
        self.samples: list[Sample] = []
        self._in_use_mb = 0.0
        self._collected = 0
        self._started_s = monotonic()

    def _on_result(self, result: Result) -> None:
        self._count += 1
        verdict = result.verdict.value
        self._verdicts[verdict] = self._verdicts.get(verdict, 0) + 1

    async def run(self) -> None:
        """Runs the gateway, and ends it in order."""
        stop = asyncio.Event()
        gateway = Gateway(checked_site(self._site), on_result=self._on_result)
        work = asyncio.create_task(gateway.run(stop))
        told = 0
        while self._count < self._warm_up + self._cycles and not work.done():
            await asyncio.sleep(SAMPLE_S)
            if self._count >= self._collected:
                # What awaits collection goes up and down by more than is looked for here.
                self._collected += COLLECT_CYCLES
                gc.collect()
                self._in_use_mb = in_use_mb()
            sample = Sample(
                monotonic() - self._started_s,
                self._count,
                resident_mb(),
                self._in_use_mb,
                sys.getallocatedblocks(),
                len(asyncio.all_tasks()),
                open_files(),
            )
            self.samples.append(sample)
            if self._count >= told:
                told += 500
                print(
                    f"{sample.at_s:6.0f} s  {sample.cycles:6d} cycles  {sample.rss_mb:7.1f} MB "
                    f"({sample.in_use_mb:.1f} in use, {sample.blocks} blocks)  "
                    f"{sample.tasks} tasks  {sample.files} files",
                    flush=True,
                )
        stop.set()
        await work

    def report(self, tasks_before: int, files_before: int) -> bool:
        """Prints the figures; False when memory grew by 1 % or more, or something was left."""
        after = [s for s in self.samples if s.cycles >= self._warm_up]
        tenth = max(1, len(after) // 10)
        growth = 0.0
        for name, what in (("rss_mb", "in RAM"), ("in_use_mb", "in use")):
            first = median(getattr(s, name) for s in after[:tenth])
            last = median(getattr(s, name) for s in after[-tenth:])
            growth = max(growth, 100.0 * (last / first - 1.0))
            print(
                f"memory {what}: {first:.1f} MB after the warm-up, {last:.1f} MB at the end: "
                f"{100.0 * (last / first - 1.0):+.2f} %"
            )
        print(
            f"blocks of Python {median(s.blocks for s in after[:tenth]):.0f} after the warm-up, "
            f"{median(s.blocks for s in after[-tenth:]):.0f} at the end"
        )
        gc.collect()
        tasks, files = len(asyncio.all_tasks()), open_files()
        print(f"cycles {self._count} ({self._verdicts}), {self._warm_up} of them warm-up")
        print(
            f"tasks while running {min(s.tasks for s in after)}..{max(s.tasks for s in after)}, "
            f"before {tasks_before}, after the end {tasks}"
        )
        print(
            f"files while running {min(s.files for s in after)}..{max(s.files for s in after)}, "
            f"before {files_before}, after the end {files}"
        )
        return growth < 1.0 and tasks <= tasks_before and files <= files_before


async def _soak(options: argparse.Namespace, folder: Path) -> bool:
    simulators = await _started(
        *("simulators", "--scenario", "steady", "--analyzers", str(options.analyzers)),
        *("--speed", f"{options.speed:g}", "--until-stdin-closes"),
    )
    assert simulators.stdout is not None
    announced = json.loads(await simulators.stdout.readline())["analyzers"]
    ports = ",".join(str(a["port"]) for a in announced)
    site = folder / "site.toml"
    churn = await _started("tests.bench.soak_churn", "--targets", ports)
    assert churn.stdout is not None
    assert churn.stdin is not None
    through: list[int] = json.loads(await churn.stdout.readline())
    endpoints = tuple(
        Endpoint(a["id"], "127.0.0.1", port) for a, port in zip(announced, through, strict=True)
    )
    write_demo_site(folder, endpoints, options.speed)
    file = checked_site(site).file
    assert file.opcua is not None
    outlets = {
        "modbus": file.modbus[0].port,
        "opcua": f"opc.tcp://127.0.0.1:{file.opcua.port}/edgeflash",
    }
    churn.stdin.write(json.dumps(outlets).encode() + b"\n")
    await asyncio.sleep(0)
    tasks_before, files_before = len(asyncio.all_tasks()), open_files()
    soak = Soak(site, options.warm_up or 2 * REMEMBERED_CYCLES * options.analyzers, options.cycles)
    try:
        await soak.run()
    finally:
        churned = await _ended(churn)
        await _ended(simulators)
    print(f"churn: {churned}")
    # The two processes' pipes were open before, and are not now.
    return soak.report(tasks_before, files_before)


async def _started(module: str, *arguments: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", module, *arguments),
        cwd=ROOT,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )


async def _ended(process: asyncio.subprocess.Process) -> str:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    rest = await process.stdout.read()
    await process.wait()
    return rest.decode().strip()


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the soak; 1 when it leaves something behind."""
    made = argparse.ArgumentParser(description=__doc__)
    made.add_argument("--cycles", type=int, default=5000, help="after the warm-up")
    made.add_argument("--warm-up", type=int, default=0, help="cycles; 0: 128 of each analyzer")
    made.add_argument("--analyzers", type=int, default=20)
    made.add_argument("--speed", type=float, default=60.0, help="simulated seconds a second")
    options = made.parse_args(arguments)
    configure(json=True, level="CRITICAL")
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        return 0 if asyncio.run(_soak(options, Path(folder))) else 1


if __name__ == "__main__":
    sys.exit(main())
