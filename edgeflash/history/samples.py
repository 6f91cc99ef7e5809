"""Lists of samples in the history, exact in both directions. Pure.

A trace and a pulse hold values of single precision, so that a column of float32 keeps them bit for
bit. A sample that is no number is NaN in them, and null in the column.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from edgeflash.model import Floats, Pulse, Trace, TraceSource


def list_of(kind: pa.DataType) -> pa.DataType:
    """A list as Parquet itself names its parts, so that files give back just this type."""
    return pa.list_(pa.field("element", kind))


SAMPLES = list_of(pa.float32())


def samples_column(arrays: Iterable[Floats | None]) -> pa.Array[Any]:
    """A column of SAMPLES with one list for each array; null for None."""
    given = list(arrays)
    lengths = np.array([0 if a is None else len(a) for a in given], np.int32)
    values = np.concatenate(
        [np.empty(0, np.float32), *(_float32(a) for a in given if a is not None)]
    )
    # All at once: Arrow takes a list of arrays apart into single numbers.
    return pa.ListArray.from_arrays(
        pa.array(np.append(np.int32(0), np.cumsum(lengths, dtype=np.int32)), pa.int32()),
        pa.array(values, pa.float32(), mask=np.isnan(values)),
        type=SAMPLES,
        mask=pa.array([a is None for a in given], pa.bool_()),
    )


def _float32(values: Floats) -> npt.NDArray[np.float32]:
    return values.astype(np.float32)


def trace_in(traces: pa.Table, row: int) -> Trace | None:
    """The trace of a row of `traces`; None when the cycle has a pulse only."""
    source = traces["source"][row].as_py()
    if source is None:
        return None
    columns = (_samples(traces, name, row) for name in ("time_s", "temperature_c", "pressure_kpa"))
    return Trace(TraceSource(source), *columns)


def pulse_in(traces: pa.Table, row: int) -> Pulse | None:
    """The fast pulse of a row of `traces`; None when the cycle has none."""
    interval_s = traces["pulse_interval_s"][row].as_py()
    if interval_s is None:
        return None
    return Pulse(interval_s, _samples(traces, "pulse_kpa", row))


def _samples(traces: pa.Table, name: str, row: int) -> Floats:
    values = traces[name][row].values
    return np.asarray(values.to_numpy(zero_copy_only=False), np.float64)
