"""One cycle's trace with its ignition, and its fast pulse. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa

from edgeflash.figures.figure import Figure, Ink, Instant, Level, Line, Panel
from edgeflash.flash.compute import LIMITS
from edgeflash.history.samples import pulse_in, trace_in
from edgeflash.model import Pulse, Severity, Trace


@dataclass(frozen=True, slots=True)
class TracedCycle:
    """What of a cycle its figure tells. None: not known.

    name: `analyzer/epoch/cycle_number`. said: why it is not accepted, in words; empty when it is.
    """

    name: str
    finished_at: datetime
    verdict: str
    published_c: float | None = None
    said: str = ""
    trace: Trace | None = None
    pulse: Pulse | None = None
    ignition_time_s: float | None = None
    baseline_kpa: float | None = None
    noise_kpa: float | None = None

    @property
    def threshold_kpa(self) -> float | None:
        """From which pressure on a rise is taken for an ignition."""
        if self.baseline_kpa is None or self.noise_kpa is None:
            return None
        return self.baseline_kpa + max(LIMITS.least_rise_kpa, LIMITS.noise_factor * self.noise_kpa)


def traced(result: pa.Table, trace: pa.Table | None) -> TracedCycle:
    """A cycle of the history: its row of `results`, and that of `traces` if there is one."""
    row: dict[str, Any] = result.to_pylist()[0]
    said = [f["sentence"] for f in row["findings"] or () if f["severity"] != Severity.NOTE.value]
    return TracedCycle(
        f"{row['analyzer']}/{row['epoch']}/{row['cycle_number']}",
        row["finished_at"],
        row["verdict"],
        row["published_c"],
        " ".join(said),
        None if trace is None else trace_in(trace, 0),
        None if trace is None else pulse_in(trace, 0),
        row["ignition_time_s"],
        row["baseline_kpa"],
        row["noise_kpa"],
    )


def trace_figure(cycle: TracedCycle) -> Figure:
    """The figure: temperature, pressure, and the fast pulse if there is one."""
    value = "no value" if cycle.published_c is None else f"{cycle.published_c:.2f} °C"
    said = cycle.said or "no rule doubts or rejects it"
    return Figure(
        title=f"{cycle.name}: {cycle.verdict}, {value}",
        subtitle=f"{cycle.finished_at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC; {said}",
        panels=tuple(_panels(cycle)),
        is_shared=False,
    )


def _panels(cycle: TracedCycle) -> Iterator[Panel]:
    if cycle.trace is not None:
        time_s = cycle.trace.time_s
        ignition = tuple(
            Instant(f"ignition at {at_s:.2f} s", at_s, Ink.VERMILLION)
            for at_s in (cycle.ignition_time_s,)
            if at_s is not None
        )
        temperature = Line("sample temperature", time_s, cycle.trace.temperature_c, Ink.ORANGE)
        yield Panel("time, s", "sample temperature, °C", (temperature, *ignition))
        levels = tuple(
            Level(f"{name} {level:.2f} kPa", level, Ink.GREEN, dashed=name == "threshold")
            for name, level in (
                ("baseline", cycle.baseline_kpa),
                ("threshold", cycle.threshold_kpa),
            )
            if level is not None
        )
        pressure = Line("cell pressure", time_s, cycle.trace.pressure_kpa, Ink.BLUE)
        yield Panel("time, s", "cell pressure, kPa above ambient", (*levels, pressure, *ignition))
    if cycle.pulse is not None:
        pulse = cycle.pulse
        time_ms = 1000.0 * pulse.interval_s * np.arange(len(pulse), dtype=np.float64)
        yield Panel(
            "time in the fast record, ms",
            "cell pressure, kPa above ambient",
            (Line("cell pressure", time_ms, pulse.pressure_kpa, Ink.BLUE),),
        )
