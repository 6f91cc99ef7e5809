"""The cup: heater, liquid temperature sensor, pressure transducer, sparks and flash pulse.

Pure physics in simulated seconds. Temperatures in °C, pressures in kPa relative to ambient
unless said otherwise, flows in mL/min.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CupSettings:
    """Build and settings of one analyzer. Defaults are common practice, no source."""

    ramp_c_per_min: float = 10.0
    spark_interval_s: float = 2.0
    spark_jitter_s: float = 0.010
    start_below_expected_c: float = 20.0
    give_up_above_expected_c: float = 15.0
    sample_period_s: float = 0.25
    idle_s: float = 4.0
    clean_s: float = 8.0
    zero_s: float = 4.0
    flashed_s: float = 3.0
    purge_s: float = 28.0
    trace_after_flash_s: float = 2.0
    heater_lag_s: float = 4.0
    cooling_lag_s: float = 5.0
    sensor_lag_s: float = 3.0
    sensor_noise_c: float = 0.05
    pressure_noise_kpa: float = 0.3
    barometer_noise_kpa: float = 0.05
    pickup_low_kpa: float = 1.0
    pickup_high_kpa: float = 3.0
    pickup_s: float = 0.0015
    pulse_rise_s: float = 0.007  # time constant; 10..90 % then takes 15 ms
    pulse_decay_s: float = 0.2
    peak_mean_kpa: float = 100.0
    peak_sigma_kpa: float = 18.0
    peak_low_kpa: float = 60.0
    peak_high_kpa: float = 150.0
    cell_volume_ml: float = 7.0
    sample_flow_ml_per_min: float = 60.0
    air_flow_ml_per_min: float = 250.0
    inlet_temperature_c: float = 32.0
    firmware_threshold_kpa: float = 8.0


class Cup:
    """Thermal state of the cup and its sensor, moved on segment by segment.

    Each method returns the true and the sensed temperature (without noise) at the END of each
    sample period, so that segments join without a doubled sample.
    """

    def __init__(self, settings: CupSettings, temperature_c: float) -> None:
        self.settings = settings
        self.true_c = temperature_c
        self.sensed_c = temperature_c
        self.rate_c_per_s = 0.0

    def refill(self, temperature_c: float) -> None:
        """Fills the cup with sample of that temperature, sensor settled."""
        self.true_c = self.sensed_c = temperature_c
        self.rate_c_per_s = 0.0

    def hold(self, set_c: float, samples: int) -> tuple[FloatArray, FloatArray]:
        """The temperature loop pulls the cup towards set_c with cooling_lag_s."""
        times_s = self._times(samples)
        true_c = set_c + (self.true_c - set_c) * np.exp(-times_s / self.settings.cooling_lag_s)
        self.rate_c_per_s = 0.0
        return self._finish(true_c)

    def ramp(
        self, rate_c_per_min: float, samples: int, swing_c: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """The heater goes to a set rate; the real rate follows with heater_lag_s.

        swing_c: what an unsteady heater adds, at both ends of every sample period.
        """
        times_s = self._times(samples)
        goal = rate_c_per_min / 60.0
        lag_s = self.settings.heater_lag_s
        moved_s = lag_s * (1.0 - np.exp(-times_s / lag_s))
        true_c = self.true_c + goal * times_s + (self.rate_c_per_s - goal) * moved_s
        self.rate_c_per_s = goal + (self.rate_c_per_s - goal) * math.exp(-times_s[-1] / lag_s)
        if swing_c is not None:
            true_c += swing_c[1:] - swing_c[0]
        return self._finish(true_c)

    def _times(self, samples: int) -> FloatArray:
        return np.arange(1, samples + 1, dtype=np.float64) * self.settings.sample_period_s

    def _finish(self, true_c: FloatArray) -> tuple[FloatArray, FloatArray]:
        before_c = np.concatenate(([self.true_c], true_c[:-1]))
        sensed_c = lagged(
            before_c,
            true_c,
            self.sensed_c,
            self.settings.sample_period_s,
            self.settings.sensor_lag_s,
        )
        self.true_c, self.sensed_c = float(true_c[-1]), float(sensed_c[-1])
        return true_c, sensed_c


def lagged(
    before: FloatArray, after: FloatArray, start: float, step_s: float, lag_s: float
) -> FloatArray:
    """Output of a first-order lag at the end of each step.

    before, after: the input at both ends of each step, straight in between (exact then).
    """
    decay = math.exp(-step_s / lag_s)
    slope_gain = lag_s * (1.0 - decay) / step_s
    # y1 = decay*y0 + weight_before*u0 + weight_after*u1
    weight_before, weight_after = slope_gain - decay, 1.0 - slope_gain
    driven = (weight_before * before + weight_after * after).tolist()
    out = []
    value = start
    for push in driven:
        value = decay * value + push
        out.append(value)
    return np.array(out)


def pulse_kpa(since_s: FloatArray, peak_kpa: float, settings: CupSettings) -> FloatArray:
    """Pressure of a flash at times since its start; its highest point is peak_kpa.

    Shape: fast exponential rise, slow exponential decay, zero before the start.
    """
    rise_s, decay_s = settings.pulse_rise_s, settings.pulse_decay_s
    top_s = rise_s * math.log(1.0 + decay_s / rise_s)
    top = (1.0 - math.exp(-top_s / rise_s)) * math.exp(-top_s / decay_s)
    t = np.maximum(since_s, 0.0)
    shape: FloatArray = (1.0 - np.exp(-t / rise_s)) * np.exp(-t / decay_s) * (peak_kpa / top)
    return shape


@lru_cache(maxsize=64)
def rise_time_s(settings: CupSettings) -> float:
    """Time in which a pulse rises from 10 to 90 % of its highest point."""
    times_s = np.arange(0.0, settings.pulse_rise_s * 8.0, settings.pulse_rise_s / 1000.0)
    height = pulse_kpa(times_s, 1.0, settings)
    low, high = (times_s[int(np.argmax(height >= share))] for share in (0.1, 0.9))
    return float(high - low)


@lru_cache(maxsize=4096)
def crossing_s(peak_kpa: float, threshold_kpa: float, settings: CupSettings) -> float | None:
    """Time after its start at which a pulse first reaches a threshold; None if it never does."""
    if peak_kpa < threshold_kpa:
        return None
    times_s = np.arange(0.0, settings.pulse_rise_s * 8.0, 0.0001)
    above = pulse_kpa(times_s, peak_kpa, settings) >= threshold_kpa
    return float(times_s[int(np.argmax(above))]) if bool(above.any()) else None


def pickup_kpa(
    times_s: FloatArray, sparks_s: FloatArray, heights_kpa: FloatArray, width_s: float
) -> FloatArray:
    """Electrical pickup of sparks on the pressure signal: a sample is hit only within width_s."""
    out = np.zeros_like(times_s)
    if sparks_s.size == 0:
        return out
    last = np.searchsorted(sparks_s, times_s, side="right") - 1
    hit = (last >= 0) & (times_s - sparks_s[np.maximum(last, 0)] < width_s)
    out[hit] = heights_kpa[last[hit]]
    return out
