"""One look at each analyzer through its own link and map: do the values make sense?

A wrong order of bytes or a wrong unit reads as a number, not as an error. What cannot be is said,
with the order or the unit that would make it possible. Only ever reads; nothing is recorded.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime

from edgeflash.config.analyzer_map import AnalyzerMap
from edgeflash.config.register_map import REGISTERS, Order, RegisterMap
from edgeflash.config.roles import KINDS
from edgeflash.config.site import Analyzer, Site
from edgeflash.gateway.lines import kept, made_lines
from edgeflash.links import LinkKeys, Surroundings, link_for
from edgeflash.model import Role, Scalar, Scan, Trace
from edgeflash.peek.plausible import implausible
from edgeflash.publication import LinkState
from edgeflash.service import SYSTEM_CLOCK
from edgeflash.units import UNITS

LOOK_S = 20.0
"""How long one look at an analyzer may take: a long trace over a slow line needs its time."""

FEW = 0.1
"""The share of a trace that may be out of range before it is said."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A role whose value cannot be what the role says. would_fit: what would make it possible."""

    role: Role
    why: str
    would_fit: str = ""


@dataclass(frozen=True, slots=True)
class LiveLook:
    """What one look at an analyzer gave. fault: why nothing was read; empty when it was.

    values: of every mapped scalar, inside units; None where the analyzer says "not available".
    """

    analyzer: str
    fault: str = ""
    values: Mapping[Role, Scalar] | None = None
    doubts: tuple[Doubt, ...] = ()

    @property
    def is_fine(self) -> bool:
        """Whether it could be read, and everything made sense."""
        return not self.fault and not self.doubts


async def live_looks(site: Site, look_s: float = LOOK_S) -> AsyncIterator[LiveLook]:
    """Looks at one analyzer after the other."""
    async with _surroundings(site) as around:
        for analyzer in site.file.analyzers:
            yield await _look(analyzer, site.maps[analyzer.id], around, look_s)


@asynccontextmanager
async def _surroundings(site: Site) -> AsyncIterator[Surroundings]:
    """What the links share, as in the gateway; the lines at work."""
    lines = made_lines(site.file, SYSTEM_CLOCK)
    keys = LinkKeys(site.state_dir, site.path.absolute().parent, site.file.site.name)
    tasks = [asyncio.create_task(kept(line)) for line in lines.values()]
    try:
        yield Surroundings(keys, lines)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _look(
    analyzer: Analyzer, analyzer_map: AnalyzerMap, around: Surroundings, look_s: float
) -> LiveLook:
    scan, fault = await _first_scan(analyzer, analyzer_map, around, look_s)
    if scan is None:
        return LiveLook(analyzer.id, fault)
    values = _values(scan)
    doubts = []
    for role, why in _doubted(scan, analyzer):
        fits = _units_that_fit(role, values.get(role), analyzer, analyzer_map, scan)
        orders = await _orders_that_fit(role, analyzer, analyzer_map, around, look_s)
        doubts.append(Doubt(role, why, "; ".join([*orders, *fits])))
    return LiveLook(analyzer.id, "", values, tuple(doubts))


async def _first_scan(
    analyzer: Analyzer, analyzer_map: AnalyzerMap, around: Surroundings, look_s: float
) -> tuple[Scan | None, str]:
    """The first scan, with the last finished cycle where there is one; else why there is none."""
    scans: list[Scan] = []
    faults: list[str] = []
    ended = asyncio.Event()

    async def on_scan(scan: Scan) -> None:
        scans.append(scan)
        ended.set()

    def on_state(state: LinkState, sentence: str) -> None:
        if state in (LinkState.DOWN, LinkState.MISCONFIGURED):
            faults.append(sentence)
        if state is LinkState.MISCONFIGURED:
            ended.set()

    link = link_for(analyzer, analyzer_map, None, SYSTEM_CLOCK, around)
    work = asyncio.create_task(link.run(on_scan, on_state))
    work.add_done_callback(lambda _: ended.set())
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(look_s):
            await ended.wait()
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)
    if scans:
        return scans[0], ""
    return None, faults[0] if faults else f"nothing was read within {look_s:g} s"


def _values(scan: Scan) -> dict[Role, Scalar]:
    return dict(scan.live) | (dict(scan.body.values) if scan.body is not None else {})


def _doubted(scan: Scan, analyzer: Analyzer) -> Iterator[tuple[Role, str]]:
    """Roles whose values cannot be, and why."""
    for role, value in _values(scan).items():
        why = implausible(role, value, analyzer, scan.taken_at)
        if why is not None:
            yield role, why
    trace = scan.body.trace if scan.body is not None else None
    if trace is not None:
        yield from _of_trace(trace, scan, analyzer)


def _of_trace(trace: Trace, scan: Scan, analyzer: Analyzer) -> Iterator[tuple[Role, str]]:
    for role, samples in (
        (Role.TRACE_TEMPERATURE, trace.temperature_c),
        (Role.TRACE_PRESSURE, trace.pressure_kpa),
    ):
        wrong = [
            why
            for sample in samples.tolist()
            if (why := implausible(role, sample, analyzer, scan.taken_at)) is not None
        ]
        if len(wrong) > FEW * len(samples):
            yield role, f"{len(wrong)} of {len(samples)} samples, for example {wrong[0]}"


def _units_that_fit(
    role: Role, value: Scalar, analyzer: Analyzer, analyzer_map: AnalyzerMap, scan: Scan
) -> list[str]:
    """Other units of the role in which the value would be possible."""
    place = analyzer_map.roles.get(role)
    if place is None or place.unit not in UNITS or isinstance(value, bool):
        return []
    if not isinstance(value, int | float):
        return []
    written = UNITS[place.unit].from_inside(float(value))
    found = []
    for name in KINDS[role].units:
        if name == place.unit or name not in UNITS:
            continue
        other = UNITS[name].to_inside(written)
        if implausible(role, other, analyzer, scan.taken_at) is None:
            found.append(f'unit = "{name}" would give {other:.5g}')
    return found


async def _orders_that_fit(
    role: Role,
    analyzer: Analyzer,
    analyzer_map: AnalyzerMap,
    around: Surroundings,
    look_s: float,
) -> list[str]:
    """Other orders of bytes with which the analyzer's registers give something possible."""
    if not isinstance(analyzer_map, RegisterMap):
        return []
    place = analyzer_map.roles[role]
    if REGISTERS.get(place.type, 1) < 2:
        return []
    used = place.order or analyzer_map.map.order
    found = []
    for order in Order:
        if order is used:
            continue
        roles = {**analyzer_map.roles, role: place.model_copy(update={"order": order})}
        changed = analyzer_map.model_copy(update={"roles": roles})
        scan, _ = await _first_scan(analyzer, changed, around, look_s)
        if scan is None or role in dict(_doubted(scan, analyzer)):
            continue
        value = _values(scan).get(role)
        found.append(
            f'order = "{order}"' + ("" if value is None else f" would give {_told(value)}")
        )
    return found


def _told(value: Scalar) -> str:
    """A value of any role in words."""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M:%S} UTC"
    return f"{value:.7g}" if isinstance(value, float) else str(value)
