"""What flows past the tap, and what of it is in the cup.

The sample of a stream that is switched to arrives after the transport lag; from then on the purge
of each cycle washes the cup with it. A well mixed cell keeps exp(-volumes) of what was in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from simulators.cup import CupSettings
from simulators.cycle import purge_s
from simulators.faults import ActiveFaults, FaultKind
from simulators.fuel import (
    CARBON_NUMBERS,
    CHECK_FLUID,
    Fuel,
    contaminate,
    drift,
    flash_point_c,
    mix,
    product,
)

DRIFT_MEMORY = 0.98  # of the logarithms of the composition, per cycle
DRIFT_STEP = 0.02
STANDARD_KPA = 101.325
NO_FAULTS = ActiveFaults()


class Feed:
    """The streams of one analyzer and the contents of its cup.

    streams: fuel by stream number, at the start. number: the stream that flows; transport_lag_s:
    from the switch to the cup.
    """

    def __init__(
        self,
        streams: Mapping[int, Fuel],
        number: int,
        settings: CupSettings,
        *,
        drifting: bool,
        transport_lag_s: float,
    ) -> None:
        self._streams = dict(streams)
        self._usual = number
        self.number = number
        self._before = number  # the stream whose sample still fills the line
        self._switched_s = -math.inf
        self._settings = settings
        self._drifting = drifting
        self._lag_s = transport_lag_s
        self._log_changes = np.zeros(len(CARBON_NUMBERS))
        self.contents = self._streams[number]
        self._purged_s = 0.0  # how long the purge took that ends now; 0 before the first cycle
        self._begun = False

    def expected_c(self, faults: ActiveFaults = NO_FAULTS) -> float:
        """The flash point that the device is set for."""
        if FaultKind.CHECK_SAMPLE in faults:
            return flash_point_c(CHECK_FLUID, STANDARD_KPA)
        usual_c = flash_point_c(self._streams[self.number], STANDARD_KPA)
        usual_c += faults.strength(FaultKind.GRADE_CHANGE, 0.0)
        return faults.strength(FaultKind.OUT_OF_RANGE, usual_c)

    def walk(self, rng: np.random.Generator) -> None:
        """The products drift by one cycle."""
        changes = rng.normal(0.0, DRIFT_STEP, len(CARBON_NUMBERS))
        if self._drifting:
            self._log_changes = DRIFT_MEMORY * self._log_changes + changes

    def fill(self, now_s: float, faults: ActiveFaults) -> float:
        """Fills the cup for the cycle that begins now; returns the flash point it is set for."""
        arrived_s = now_s - self._switched_s - self._lag_s
        new_s = min(max(arrived_s, 0.0), self._purged_s)
        if self._begun:
            self._flush(self._before, self._purged_s - new_s, faults)
            self._flush(self.number, new_s, faults)
        else:
            self.contents = self._flowing(self.number, faults)
        self._begun = True
        if arrived_s >= 0.0:
            self._before = self.number
        self._purged_s = purge_s(self._settings, faults)
        wanted = int(faults.strength(FaultKind.STREAM_SWITCH, self._usual))
        if wanted != self.number and wanted in self._streams:
            self.number, self._switched_s = wanted, now_s
        return self.expected_c(faults)

    def _flush(self, number: int, for_s: float, faults: ActiveFaults) -> None:
        flow = faults.strength(FaultKind.SAMPLE_FLOW_LOW, 1.0)
        flow_ml = flow * self._settings.sample_flow_ml_per_min * for_s / 60.0
        kept = math.exp(-flow_ml / self._settings.cell_volume_ml)
        if for_s > 0.0:
            kept = max(kept, faults.strength(FaultKind.CARRY_OVER, 0.0))
        self.contents = mix(self._flowing(number, faults), self.contents, kept)

    def _flowing(self, number: int, faults: ActiveFaults) -> Fuel:
        if FaultKind.CHECK_SAMPLE in faults:
            return CHECK_FLUID
        fuel = self._grade(number, faults)
        if FaultKind.OUT_OF_RANGE in faults:
            fuel = product(faults.strength(FaultKind.OUT_OF_RANGE, 0.0))
        fuel = drift(fuel, self._log_changes.tolist())
        share = faults.strength(FaultKind.CONTAMINATION, 0.0)
        share = min(share + faults.grown(FaultKind.CONTAMINATION_RAMP), 1.0)
        return contaminate(fuel, share) if share else fuel

    def _grade(self, number: int, faults: ActiveFaults) -> Fuel:
        """The stream's own fuel, or one whose flash point is another by what the faults say."""
        step_c = sum(
            faults.strength(kind, 0.0) for kind in (FaultKind.PRODUCT_STEP, FaultKind.GRADE_CHANGE)
        )
        fuel = self._streams[number]
        return product(flash_point_c(fuel, STANDARD_KPA) + step_c) if step_c else fuel
