"""The columns of the history: type, unit, meaning, and how a result fills them. Pure.

`results`: one row for each judged cycle. `traces`: one row for each that has a trace or a pulse.
Figures that are also published points come from the point catalogue; they are not named here.
Later versions only add columns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter
from typing import Any

import pyarrow as pa

from edgeflash.history.samples import SAMPLES, list_of
from edgeflash.journal import Entry, encode_cycle
from edgeflash.model import Result
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.units import INSIDE, Quantity

AS_READ = "as_read"
"""Column of results with the text of the cycle, of journal.encode_cycle."""

TIMESTAMP = pa.timestamp("us", "UTC")


FINDINGS = list_of(
    pa.struct(
        [
            ("code", pa.int32()),
            ("rule", pa.string()),
            ("severity", pa.string()),
            ("sentence", pa.string()),
            ("measured", pa.float64()),
            ("limit", pa.float64()),
            ("unit", pa.string()),
        ]
    )
)


CHECKS = list_of(
    pa.struct(
        [
            ("epoch", pa.int64()),
            ("cycle_number", pa.int64()),
            ("finished_at", TIMESTAMP),
            ("corrected_c", pa.float64()),
            ("reference_c", pa.float64()),
        ]
    )
)


class TableName(StrEnum):
    """The tables of the history."""

    RESULTS = "results"
    TRACES = "traces"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: how an entry of the journal fills it. unit is empty where there is none."""

    name: str
    type: pa.DataType
    description: str
    get: Callable[[Entry], Any]
    unit: str = ""

    @property
    def field(self) -> pa.Field[Any]:
        """The Arrow field, with unit and description as metadata."""
        return pa.field(
            self.name,
            self.type,
            metadata={b"unit": self.unit.encode(), b"description": self.description.encode()},
        )


def _of_result(
    name: str, kind: pa.DataType, description: str, get: Callable[[Result], Any], unit: str = ""
) -> Column:
    return Column(name, kind, description, lambda entry: get(entry.result), unit)


_TYPE_OF_POINT: dict[PointType, pa.DataType] = {
    PointType.FLOAT: pa.float64(),
    PointType.INT: pa.int64(),
    PointType.CODE: pa.int32(),
    PointType.FLAG: pa.bool_(),
    PointType.TIME: TIMESTAMP,
    PointType.TEXT: pa.string(),
}


def _of_point(point: Point, get: Callable[[Result], Any]) -> Column:
    unit = "" if point.quantity is Quantity.NONE else INSIDE[point.quantity].label
    return _of_result(point.name, _TYPE_OF_POINT[point.type], point.column_description, get, unit)


_TEXT, _REAL, _WHOLE, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()

_FROM_CATALOGUE = tuple(_of_point(p, p.of_result) for p in CATALOGUE if p.of_result is not None)

_OWN = (
    _of_result("analyzer", _TEXT, "Identifier of the analyzer.", lambda r: r.cycle.analyzer),
    _of_result(
        "finished_at", TIMESTAMP, "When the result was made, UTC.", lambda r: r.cycle.finished_at
    ),
    _of_result("judged_at", TIMESTAMP, "When the gateway judged it, UTC.", lambda r: r.judged_at),
    _of_result("verdict", _TEXT, "accepted, doubtful or rejected.", lambda r: r.verdict.value),
    _of_result(
        "published_c",
        _REAL,
        "This cycle's own flash point as it may be used; null when rejected.",
        lambda r: r.published_c,
        "°C",
    ),
    _of_result("reasons", list_of(_TEXT), "Rules that doubt or reject.", lambda r: r.reasons),
    _of_result(
        "findings",
        FINDINGS,
        "What the rules say; measured and limit are in the finding's own unit.",
        lambda r: [
            {
                "code": f.code,
                "rule": f.rule,
                "severity": f.severity.value,
                "sentence": f.sentence,
                "measured": f.measured,
                "limit": f.limit,
                "unit": f.unit,
            }
            for f in r.findings
        ],
    ),
    _of_result("product", _TEXT, "Product flowing in the stream.", lambda r: r.product),
    _of_result(
        "low_flash",
        _FLAG,
        "The evidence of this cycle is compatible with a flash point that is too low.",
        lambda r: r.low_flash,
    ),
    _of_result("source", _TEXT, "live, or ring: fetched later.", lambda r: r.cycle.source.value),
    _of_result(
        "continuity",
        _TEXT,
        "How the number follows the one before.",
        lambda r: r.cycle.continuity.value,
    ),
    _of_result("missed", _WHOLE, "Cycles missed before this one.", lambda r: r.cycle.missed),
    _of_result(
        "duration_s", _REAL, "Time since the cycle before.", lambda r: r.cycle.duration_s, "s"
    ),
    _of_result("torn", _FLAG, "The analyzer moved on while it was read.", lambda r: r.cycle.torn),
    _of_result("basis", _TEXT, "Which flash temperature is corrected.", lambda r: r.computed.basis),
    _of_result("rules_version", _TEXT, "Rules that judged the cycle.", lambda r: r.rules_version),
    _of_result(
        "checks",
        CHECKS,
        "The last check samples, this cycle included, oldest first; temperatures in °C.",
        lambda r: [
            {
                "epoch": c.epoch,
                "cycle_number": c.cycle_number,
                "finished_at": c.finished_at,
                "corrected_c": c.corrected_c,
                "reference_c": c.reference_c,
            }
            for c in r.checks
        ],
    ),
)


def _computed(name: str, description: str, unit: str = "", kind: pa.DataType = _REAL) -> Column:
    return _of_result(name, kind, description, attrgetter(f"computed.{name}"), unit)


_COMPUTED = (
    _computed("ignition_time_s", "Ignition onset, from the start of the trace.", "s"),
    _computed("ignition_seen_c", "What the sensor showed at the ignition onset.", "°C"),
    _computed("ignition_count", "Ignitions in the trace.", kind=_WHOLE),
    _computed(
        "time_after_ignition_s", "From the ignition, or the end of heating, to the result.", "s"
    ),
    _computed("start_temperature_c", "Sample temperature at the start of the ramp.", "°C"),
    _computed("baseline_kpa", "Cell pressure before the ignition.", "kPa"),
    _computed("noise_kpa", "Standard deviation of the cell pressure before the ignition.", "kPa"),
    _computed("sample_interval_s", "Usual time between two samples of the trace.", "s"),
    _computed("unsteadiness_c", "Robust spread of the ramp about its straight line.", "°C"),
    _computed("longest_still_s", "Longest time in the ramp with one temperature.", "s"),
    _computed("largest_jump_c", "Largest step between two samples of the ramp.", "°C"),
    _computed("rise_s", "10 to 90 % rise of the ignition in the fast pulse.", "s"),
    _computed("decay_s", "Fall of the ignition to 10 % in the fast pulse.", "s"),
    _computed("trace_digest", "CRC-32 of the trace, to know it again.", kind=_WHOLE),
)
_AS_READ = _of_result(
    AS_READ,
    _TEXT,
    "The cycle and the control system's values as they were read, in JSON, for judging again.",
    lambda r: encode_cycle(r.cycle, r.inputs),
)

_PLACE = (
    Column(
        "journal_begun_at",
        TIMESTAMP,
        "When the journal that the row came from was made, UTC.",
        lambda e: e.journal_begun_at,
    ),
    Column(
        "journal_seq",
        _WHOLE,
        "Place of the row in that journal; rises in the order of judging, with gaps.",
        lambda e: e.seq,
    ),
)

_FIRST = ("analyzer", "epoch", "cycle_number", "finished_at", "sampled_at", "judged_at", "verdict")
_ALL = (*_OWN, *_COMPUTED, *_FROM_CATALOGUE, *_PLACE, _AS_READ)
_DECLARED = {c.name: c for c in _ALL}
if len(_DECLARED) != len(_ALL):
    raise AssertionError("a column of results is declared twice")

RESULT_COLUMNS: tuple[Column, ...] = (
    *(_DECLARED[name] for name in _FIRST),
    *(c for name, c in _DECLARED.items() if name not in _FIRST),
)

TRACE_COLUMNS: tuple[Column, ...] = (
    *(_DECLARED[name] for name in ("analyzer", "epoch", "cycle_number", "finished_at")),
    _of_result(
        "source",
        _TEXT,
        "block: the analyzer's own record; polled: our readings of its live values.",
        lambda r: None if (t := r.cycle.trace) is None else t.source.value,
    ),
    _of_result(
        "time_s",
        SAMPLES,
        "Seconds from the start of the record.",
        lambda r: None if (t := r.cycle.trace) is None else t.time_s,
        "s",
    ),
    _of_result(
        "temperature_c",
        SAMPLES,
        "Sample temperature.",
        lambda r: None if (t := r.cycle.trace) is None else t.temperature_c,
        "°C",
    ),
    _of_result(
        "pressure_kpa",
        SAMPLES,
        "Cell pressure above ambient, as the transducer reads it.",
        lambda r: None if (t := r.cycle.trace) is None else t.pressure_kpa,
        "kPa",
    ),
    _of_result(
        "pulse_interval_s",
        _REAL,
        "Between two samples of the fast pulse.",
        lambda r: None if (p := r.cycle.pulse) is None else p.interval_s,
        "s",
    ),
    _of_result(
        "pulse_kpa",
        SAMPLES,
        "Cell pressure around the ignition, captured fast.",
        lambda r: None if (p := r.cycle.pulse) is None else p.pressure_kpa,
        "kPa",
    ),
)

COLUMNS: dict[TableName, tuple[Column, ...]] = {
    TableName.RESULTS: RESULT_COLUMNS,
    TableName.TRACES: TRACE_COLUMNS,
}
