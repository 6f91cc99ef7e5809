"""What the live readings showed while a cycle was running."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from edgeflash.model import Phase, Role, Scalar, Scan, Span, Trace, TraceSource

SPAN_ROLES = (
    Role.SAMPLE_FLOW,
    Role.AIR_FLOW,
    Role.SAMPLE_INLET_TEMPERATURE,
    Role.CELL_TEMPERATURE,
    Role.BAROMETRIC_PRESSURE,
)
SAMPLE_ROLES = (Role.SAMPLE_TEMPERATURE, Role.CELL_PRESSURE)
FLOWS_COUNT_IN = (Phase.HEAT, Phase.FLASHED, Phase.CHECK_SAMPLE)
"""Flows stop or surge while the cell is cleaned and purged; only the measuring phases count."""

AFTER_HEATING = (Phase.FLASHED, Phase.PURGE)
MOST_POLLED_SAMPLES = 20_000


class Observed:
    """Collects the scans of one cycle; a new one is begun for the next."""

    def __init__(self) -> None:
        self.scans = 0
        self.phases: list[Phase] = []
        self.faults: list[str] = []
        self.streams: list[int] = []
        self.spans: dict[Role, Span] = {}
        self.longest_gap_s: float | None = None
        self.statuses: dict[Role, str] = {}
        self._heated_until_mono_s: float | None = None
        self._polled: list[tuple[float, float, float]] = []

    def add(self, scan: Scan, gap_s: float | None, keep_samples: bool) -> None:
        """Takes one scan. gap_s: time since the scan before; keep_samples: build a polled trace."""
        self.scans += 1
        if gap_s is not None:
            self.longest_gap_s = max(gap_s, self.longest_gap_s or 0.0)
        phase = scan.live.get(Role.PHASE)
        if isinstance(phase, Phase) and (not self.phases or self.phases[-1] is not phase):
            if phase in AFTER_HEATING and Phase.HEAT in self.phases[-1:]:
                self._heated_until_mono_s = scan.taken_mono_s
            self.phases.append(phase)
        self.add_faults(scan.live)
        self.add_stream(scan.live)
        if not isinstance(phase, Phase) or phase in FLOWS_COUNT_IN:
            self._add_spans(scan.live)
            self._add_statuses(scan, SPAN_ROLES)
            if keep_samples:
                self._add_sample(scan)
                self._add_statuses(scan, SAMPLE_ROLES)

    def add_faults(self, values: Mapping[Role, Scalar]) -> None:
        """Notes the fault bits that are set."""
        bits = values.get(Role.FAULT_BITS)
        if isinstance(bits, tuple):
            self.faults.extend(name for name in bits if name not in self.faults)

    def add_stream(self, values: Mapping[Role, Scalar]) -> None:
        """Notes the number of the stream that flows, when it is another than before."""
        stream = values.get(Role.STREAM)
        if isinstance(stream, bool) or not isinstance(stream, int | float):
            return
        if stream == int(stream) and self.streams[-1:] != [stream]:
            self.streams.append(int(stream))

    def _add_spans(self, live: Mapping[Role, Scalar]) -> None:
        for role in SPAN_ROLES:
            value = live.get(role)
            if isinstance(value, int | float) and not isinstance(value, bool):
                seen = self.spans.get(role)
                number = float(value)
                self.spans[role] = (
                    seen.with_value(number) if seen else Span(number, number, number, number, 1)
                )

    def _add_statuses(self, scan: Scan, roles: tuple[Role, ...]) -> None:
        """Keeps the last thing the server said of each of these roles' values."""
        self.statuses |= {role: scan.statuses[role] for role in roles if role in scan.statuses}

    def _add_sample(self, scan: Scan) -> None:
        temperature = scan.live.get(Role.SAMPLE_TEMPERATURE)
        pressure = scan.live.get(Role.CELL_PRESSURE)
        if not isinstance(temperature, float) or not isinstance(pressure, float):
            return
        if len(self._polled) < MOST_POLLED_SAMPLES:
            self._polled.append((scan.taken_mono_s, temperature, pressure))

    def after_heating_s(self, now_mono_s: float) -> float | None:
        """How long ago the heating ended; None when that was not seen."""
        if self._heated_until_mono_s is None:
            return None
        return now_mono_s - self._heated_until_mono_s

    def polled_trace(self) -> Trace | None:
        """The live temperature and pressure as a trace; None with fewer than two samples."""
        if len(self._polled) < 2:
            return None
        columns = np.array(self._polled, dtype=np.float64).T
        return Trace(TraceSource.POLLED, columns[0] - columns[0, 0], columns[1], columns[2])
