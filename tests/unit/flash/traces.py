"""Synthetic traces with known answers, written without any of the simulator's code."""

from __future__ import annotations

import numpy as np

from edgeflash.model import Trace, TraceSource


def trace(
    *,
    flash_s: float | None = 60.0,
    length_s: float = 63.0,
    interval_s: float = 0.25,
    start_c: float = 40.0,
    rate_c_per_min: float = 10.0,
    lag_s: float = 0.0,
    peak_kpa: float = 90.0,
    decay_s: float = 0.2,
    temperature_noise_c: float = 0.0,
    pressure_noise_kpa: float = 0.0,
    zero_kpa: float = 0.0,
    pickups_s: tuple[float, ...] = (),
    pickup_kpa: float = 8.0,
    seed: int = 1,
) -> Trace:
    """A steady ramp read by a first-order sensor in steady state, and one exponential pulse."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, length_s, interval_s)
    slope = rate_c_per_min / 60.0
    temperature = start_c + slope * (time - lag_s)
    temperature = temperature + rng.normal(0.0, 1.0, len(time)) * temperature_noise_c
    pressure = zero_kpa + rng.normal(0.0, 1.0, len(time)) * pressure_noise_kpa
    if flash_s is not None:
        after = time >= flash_s
        pressure[after] += peak_kpa * np.exp(-(time[after] - flash_s) / decay_s)
    for at in pickups_s:
        pressure[int(np.searchsorted(time, at))] += pickup_kpa
    return Trace(TraceSource.BLOCK, time, temperature, pressure)
