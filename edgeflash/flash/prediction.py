"""The flash point as the control system's inputs predict it: a cross-check, never a verdict. Pure.

A predicted value is of its own kind: it is never the result of a test method.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from edgeflash.config.site import Prediction
from edgeflash.errors import UsageError
from edgeflash.flash.blending import Index, Part, blend_flash_c, extrapolation_note
from edgeflash.flash.distillation import Correlation, flash_from_t10_c
from edgeflash.model import InputReading


class _NotUsableError(Exception):
    """An input that no prediction can be built on; its text is the note."""


def predicted(prediction: Prediction, inputs: Sequence[InputReading]) -> tuple[float | None, str]:
    """The predicted flash point in °C, or None, and a note: why there is none, or what to know.

    inputs: in inside units, °C and volume fractions.
    """
    readings = {reading.name: reading for reading in inputs}
    try:
        match prediction.kind:
            case "blend":
                return _of_blend(prediction, readings)
            case "distillation":
                t10_c = _figure(prediction.t10_c, readings)
                return flash_from_t10_c(t10_c, Correlation(prediction.correlation)), ""
            case "value":
                return _figure(prediction.value, readings), ""
    except (_NotUsableError, UsageError) as error:
        return None, str(error)


def _of_blend(prediction: Prediction, readings: Mapping[str, InputReading]) -> tuple[float, str]:
    parts = [
        Part(_figure(part.share, readings), _figure(part.flash_c, readings))
        for part in prediction.components
    ]
    flash_c = blend_flash_c(parts, Index(prediction.index))
    there = [part.flash_c for part in parts if part.share > 0.0]
    return flash_c, extrapolation_note([*there, flash_c])


def _figure(source: float | str | None, readings: Mapping[str, InputReading]) -> float:
    """A constant, or the input of that name. Raises _NotUsableError."""
    if source is None:
        raise _NotUsableError("the prediction is not complete in the site file")
    if not isinstance(source, str):
        return source
    reading = readings.get(source)
    if reading is None:
        raise _NotUsableError(f"input {source} has no value")
    if not reading.is_good or not math.isfinite(reading.value):
        raise _NotUsableError(f"input {source} is bad or stale")
    return reading.value
