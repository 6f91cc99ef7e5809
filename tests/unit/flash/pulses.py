"""Synthetic fast captures with known answers, written without any of the simulator's code."""

from __future__ import annotations

import numpy as np

from edgeflash.model import Pulse


def pulse(
    *,
    rise_s: float = 0.02,
    decay_s: float = 0.1,
    peak_kpa: float = 80.0,
    before_s: float = 0.1,
    length_s: float = 0.6,
    interval_s: float = 0.001,
    zero_kpa: float = 0.0,
    noise_kpa: float = 0.0,
    stays: float = 0.0,
    seed: int = 1,
) -> Pulse:
    """Quiet, then a straight rise over rise_s, then a straight fall over decay_s to what stays.

    A straight rise passes 10 and 90 % within 0.8 of rise_s, a straight fall to nothing reaches
    10 % after 0.9 of decay_s, and half of the peak is passed for half of both: plain geometry.
    """
    time = np.arange(0.0, length_s - interval_s / 2, interval_s)
    corners = [before_s, before_s + rise_s, before_s + rise_s + decay_s]
    pressure = np.interp(time, corners, [0.0, peak_kpa, stays * peak_kpa])
    rng = np.random.default_rng(seed)
    return Pulse(interval_s, zero_kpa + pressure + rng.normal(0.0, 1.0, len(time)) * noise_kpa)
