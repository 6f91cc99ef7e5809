"""The units that a site may choose for what an outlet shows."""

from __future__ import annotations

from typing import Literal

TemperatureUnit = Literal["degC", "degF"]
PressureUnit = Literal["kPa", "psi", "mbar"]
