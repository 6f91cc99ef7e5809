"""What is recorded within one cycle: the slow trace and the fast pulse."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]


class TraceSource(StrEnum):
    """Where a trace came from: the analyzer's own block, or our polling of live values."""

    BLOCK = "block"
    POLLED = "polled"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Sample temperature and cell pressure against time within one cycle.

    time_s: seconds from the start of the record, strictly rising. temperature_c, pressure_kpa:
    same length; pressure is gauge, as the transducer reads it. Values are those of single
    precision, in which the history keeps them, so that judging again finds the same; NaN where
    the analyzer gave no number.
    """

    source: TraceSource
    time_s: Floats
    temperature_c: Floats
    pressure_kpa: Floats

    def __post_init__(self) -> None:
        if not len(self.time_s) == len(self.temperature_c) == len(self.pressure_kpa):
            raise ValueError("a trace needs three arrays of one length")
        for name in ("time_s", "temperature_c", "pressure_kpa"):
            object.__setattr__(self, name, single_precision(getattr(self, name)))

    def __len__(self) -> int:
        return len(self.time_s)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Trace):
            return NotImplemented
        return (
            self.source is other.source
            and np.array_equal(self.time_s, other.time_s, equal_nan=True)
            and np.array_equal(self.temperature_c, other.temperature_c, equal_nan=True)
            and np.array_equal(self.pressure_kpa, other.pressure_kpa, equal_nan=True)
        )

    __hash__ = None  # type: ignore[assignment]  # arrays have no hash


def single_precision(values: npt.ArrayLike) -> Floats:
    """The values rounded to single precision, held as doubles; what is not finite becomes NaN."""
    given = np.asarray(values)
    if given.dtype != np.float32:
        with np.errstate(over="ignore"):
            given = given.astype(np.float64).astype(np.float32)
    rounded = given.astype(np.float64)
    finite = np.isfinite(rounded)
    if not finite.all():
        rounded[~finite] = np.nan
    return rounded


@dataclass(frozen=True, slots=True, eq=False)
class Pulse:
    """The analyzer's fast capture of cell pressure around an ignition.

    interval_s: between samples. pressure_kpa: gauge, shape (n,); single precision as a trace's.
    """

    interval_s: float
    pressure_kpa: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "pressure_kpa", single_precision(self.pressure_kpa))

    def __len__(self) -> int:
        return len(self.pressure_kpa)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Pulse):
            return NotImplemented
        return self.interval_s == other.interval_s and np.array_equal(
            self.pressure_kpa, other.pressure_kpa, equal_nan=True
        )

    __hash__ = None  # type: ignore[assignment]  # arrays have no hash
