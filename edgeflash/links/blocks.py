"""The trace block, the fast pulse and the ring of recent results, from decoded arrays. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import zip_longest

import numpy as np

from edgeflash.model import (
    Floats,
    Pulse,
    RecentResult,
    Role,
    Scalar,
    Trace,
    TraceSource,
    single_precision,
)

_PLAIN_TYPES = {float, int, type(None)}


def _as_number(value: Scalar) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def _as_column(values: Sequence[Scalar]) -> Floats:
    """Numbers as an array; what is no number is NaN."""
    if not {type(value) for value in values} <= _PLAIN_TYPES:
        values = [_as_number(value) for value in values]
    return np.array(values, dtype=np.float64)


def trace_from_block(
    header: Mapping[Role, Scalar], arrays: Mapping[Role, Sequence[Scalar]]
) -> Trace | None:
    """The trace of an analyzer's block; None when nothing of it can be used.

    Cut to trace_length where that is mapped. A sample without a finite time is dropped, and one
    that repeats the time before it; without a temperature or pressure it stays, as NaN, so that
    the share of what is missing can be judged. Where time runs backwards the record ends: what
    follows is left over from an older, longer one.
    """
    temperatures = arrays[Role.TRACE_TEMPERATURE]
    pressures = arrays[Role.TRACE_PRESSURE]
    length = _length(Role.TRACE_LENGTH, header, min(len(temperatures), len(pressures)))
    times: Sequence[Scalar]
    if Role.TRACE_TIME in arrays:
        times = arrays[Role.TRACE_TIME]
    else:
        interval_s = _as_number(header.get(Role.TRACE_INTERVAL))
        if interval_s is None or interval_s <= 0:
            return None
        times = [index * interval_s for index in range(length)]
    length = min(length, len(times))
    # Rounded first: of two times that a trace cannot tell apart, the second is a repeat.
    columns = single_precision(
        [_as_column(values[:length]) for values in (times, temperatures, pressures)]
    )
    columns = columns[:, np.isfinite(columns[0])]
    backwards = np.flatnonzero(np.diff(columns[0]) < 0)
    if backwards.size:
        columns = columns[:, : backwards[0] + 1]
    columns = columns[:, np.diff(columns[0], prepend=-np.inf) > 0]
    if not np.isfinite(columns[1:]).any(axis=1).all():
        return None
    return Trace(TraceSource.BLOCK, columns[0], columns[1], columns[2])


def pulse_from_block(header: Mapping[Role, Scalar], pressures: Sequence[Scalar]) -> Pulse | None:
    """The fast pulse of an analyzer's block; None when nothing of it can be used.

    Cut to pulse_length where that is mapped. A sample that is not available is NaN: those after
    it keep their place in time.
    """
    interval_s = _as_number(header.get(Role.PULSE_INTERVAL))
    if interval_s is None or not 0 < interval_s < np.inf:
        return None
    length = _length(Role.PULSE_LENGTH, header, len(pressures))
    pulse = Pulse(interval_s, _as_column(pressures[:length]))
    return pulse if np.isfinite(pulse.pressure_kpa).any() else None


def _length(role: Role, header: Mapping[Role, Scalar], longest: int) -> int:
    """How many samples a block says it has, at most `longest`; 0 when it cannot say."""
    if role not in header:
        return longest
    told = _as_number(header[role])
    return 0 if told is None else min(longest, max(0, int(told)))


def recent_results(
    arrays: Mapping[Role, Sequence[Scalar]], newest_number: int, first: int, last: int
) -> tuple[RecentResult, ...]:
    """The ring's entries, oldest first, each once. Places that were never filled are left out.

    newest_number: the analyzer's present number; its counter runs from first to last. The age of
    an entry is counted back from the present number around the counter, so a wrap keeps the
    order, and numbers from before a restart of the counter count as older than those after it.
    Without recent_number, the number is the whole UTC seconds of recent_time.
    """
    has_time = Role.RECENT_TIME in arrays
    found: dict[tuple[int, datetime | None], RecentResult] = {}
    zeros = 0
    for raw_number, raw_time, raw_flash in zip_longest(
        arrays.get(Role.RECENT_NUMBER, ()),
        arrays.get(Role.RECENT_TIME, ()),
        arrays[Role.RECENT_FLASH_POINT],
    ):
        time = raw_time if isinstance(raw_time, datetime) else None
        flash_point_c = _as_number(raw_flash)
        if Role.RECENT_NUMBER in arrays:
            counted = _as_number(raw_number)
        else:
            counted = None if time is None else float(int(time.timestamp()))
        if counted is None or not first <= counted <= last:
            continue
        if time is None and (flash_point_c is None or (has_time and counted == 0)):
            continue
        zeros += counted == 0
        entry = RecentResult(int(counted), flash_point_c, time)
        found.setdefault((entry.cycle_number, time), entry)
    if zeros > 1 and not has_time:
        # One cycle can have number 0, several cannot: those are places that were never filled.
        del found[0, None]

    def age_first(entry: RecentResult) -> tuple[int, float]:
        back = (newest_number - entry.cycle_number) % (last - first + 1)
        return -back, entry.result_time.timestamp() if entry.result_time else 0.0

    return tuple(sorted(found.values(), key=age_first))
