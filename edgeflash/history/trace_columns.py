"""The columns of `traces`, one row for each cycle that has a trace or a pulse. Pure."""

from __future__ import annotations

from edgeflash.history.column import REAL, TEXT, Column
from edgeflash.history.result_columns import RESULT_COLUMNS, of_result
from edgeflash.history.samples import SAMPLES
from edgeflash.journal import Entry
from edgeflash.model import Result

_AS_IN_RESULTS = ("analyzer", "epoch", "cycle_number", "finished_at")


def has_samples(result: Result) -> bool:
    """True when the cycle has a row in `traces`."""
    return result.cycle.trace is not None or result.cycle.pulse is not None


TRACE_COLUMNS: tuple[Column[Entry], ...] = (
    *(c for c in RESULT_COLUMNS if c.name in _AS_IN_RESULTS),
    of_result(
        "source",
        TEXT,
        "block: the analyzer's own record; polled: our readings of its live values.",
        lambda r: None if (t := r.cycle.trace) is None else t.source.value,
    ),
    of_result(
        "time_s",
        SAMPLES,
        "Seconds from the start of the record.",
        lambda r: None if (t := r.cycle.trace) is None else t.time_s,
        "s",
    ),
    of_result(
        "temperature_c",
        SAMPLES,
        "Sample temperature.",
        lambda r: None if (t := r.cycle.trace) is None else t.temperature_c,
        "°C",
    ),
    of_result(
        "pressure_kpa",
        SAMPLES,
        "Cell pressure above ambient, as the transducer reads it.",
        lambda r: None if (t := r.cycle.trace) is None else t.pressure_kpa,
        "kPa",
    ),
    of_result(
        "pulse_interval_s",
        REAL,
        "Between two samples of the fast pulse.",
        lambda r: None if (p := r.cycle.pulse) is None else p.interval_s,
        "s",
    ),
    of_result(
        "pulse_kpa",
        SAMPLES,
        "Cell pressure around the ignition, captured fast.",
        lambda r: None if (p := r.cycle.pulse) is None else p.pressure_kpa,
        "kPa",
    ),
)
