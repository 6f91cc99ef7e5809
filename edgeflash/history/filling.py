"""Values into Arrow columns by the declared type, a whole column at a time. Pure.

NaN and infinity are never stored: they become null.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa

from edgeflash.history.column import REAL
from edgeflash.history.samples import SAMPLES, samples_column

# What Arrow takes as it is, or refuses; in a column of these nothing can hide that is no number.
_TAKEN_WHOLE = frozenset(
    {pa.string(), pa.int64(), pa.int32(), pa.bool_(), pa.timestamp("us", "UTC")}
)


def filled(values: Sequence[Any], kind: pa.DataType) -> pa.Array[Any]:
    """A column of the values; null for None, and for what is no number.

    Refuses nothing that is of the declared type: one odd value must not keep every later row from
    the history.
    """
    if kind == SAMPLES:
        return samples_column(values)
    try:
        if kind == REAL:
            return _reals(values)
        if kind in _TAKEN_WHOLE:
            return pa.array(values, kind)
    except (ValueError, TypeError, OverflowError):
        pass  # one of them is odd
    return pa.array([_storable(v) for v in values], kind)


def _reals(values: Sequence[Any]) -> pa.Array[Any]:
    numbers = np.array(values, np.float64)  # NaN for None
    return pa.array(numbers, REAL, mask=~np.isfinite(numbers))


def _storable(value: Any) -> Any:
    match value:
        case float():
            return value if math.isfinite(value) else None
        case str():
            return value.encode("utf-8", "replace").decode("utf-8")
        case datetime():
            return value
        case dict():
            return {name: _storable(item) for name, item in value.items()}
        case list() | tuple():
            return [_storable(item) for item in value]
    return value
