"""The tables of the history: their columns, units and descriptions, and rows from results. Pure.

`results`: one row for each judged cycle. `traces`: one row for each cycle that has a trace.
Figures that are also published points come from the point catalogue; they are not named here.
Schema changes only add columns. NaN and infinity are never stored: they become null.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
import pyarrow as pa

from edgeflash import __version__
from edgeflash.model import Result
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.units import INSIDE, Quantity

SCHEMA_VERSION = 1

TIMESTAMP = pa.timestamp("us", "UTC")


def _list_of(kind: pa.DataType) -> pa.DataType:
    """A list as Parquet itself names its parts, so that files give back just this type."""
    return pa.list_(pa.field("element", kind))


FINDINGS = _list_of(
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


class TableName(StrEnum):
    """The tables of the history."""

    RESULTS = "results"
    TRACES = "traces"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: how a result fills it. unit is empty where there is none."""

    name: str
    type: pa.DataType
    description: str
    get: Callable[[Result], Any]
    unit: str = ""

    @property
    def field(self) -> pa.Field[Any]:
        """The Arrow field, with unit and description as metadata."""
        return pa.field(
            self.name,
            self.type,
            metadata={b"unit": self.unit.encode(), b"description": self.description.encode()},
        )


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
    return Column(point.name, _TYPE_OF_POINT[point.type], point.column_description, get, unit)


_TEXT, _REAL, _WHOLE, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()

_FROM_CATALOGUE = tuple(_of_point(p, p.of_result) for p in CATALOGUE if p.of_result is not None)

_OWN = (
    Column("analyzer", _TEXT, "Identifier of the analyzer.", lambda r: r.cycle.analyzer),
    Column(
        "finished_at", TIMESTAMP, "When the result was made, UTC.", lambda r: r.cycle.finished_at
    ),
    Column("judged_at", TIMESTAMP, "When the gateway judged it, UTC.", lambda r: r.judged_at),
    Column("verdict", _TEXT, "accepted, doubtful or rejected.", lambda r: r.verdict.value),
    Column(
        "published_c",
        _REAL,
        "This cycle's own flash point as it may be used; null when rejected.",
        lambda r: r.published_c,
        "°C",
    ),
    Column("reasons", _list_of(_TEXT), "Rules that doubt or reject.", lambda r: r.reasons),
    Column(
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
    Column("product", _TEXT, "Product flowing in the stream.", lambda r: r.product),
    Column(
        "low_flash",
        _FLAG,
        "The evidence of this cycle is compatible with a flash point that is too low.",
        lambda r: r.low_flash,
    ),
    Column("source", _TEXT, "live, or ring: fetched later.", lambda r: r.cycle.source.value),
    Column(
        "continuity",
        _TEXT,
        "How the number follows the one before.",
        lambda r: r.cycle.continuity.value,
    ),
    Column("missed", _WHOLE, "Cycles missed before this one.", lambda r: r.cycle.missed),
    Column("duration_s", _REAL, "Time since the cycle before.", lambda r: r.cycle.duration_s, "s"),
    Column("torn", _FLAG, "The analyzer moved on while it was read.", lambda r: r.cycle.torn),
    Column(
        "ignition_time_s",
        _REAL,
        "Ignition onset, from the start of the trace.",
        lambda r: r.computed.ignition_time_s,
        "s",
    ),
    Column(
        "ignition_seen_c",
        _REAL,
        "What the sensor showed at the ignition onset.",
        lambda r: r.computed.ignition_seen_c,
        "°C",
    ),
    Column(
        "ignition_count", _WHOLE, "Ignitions in the trace.", lambda r: r.computed.ignition_count
    ),
    Column(
        "start_temperature_c",
        _REAL,
        "Sample temperature at the start of the ramp.",
        lambda r: r.computed.start_temperature_c,
        "°C",
    ),
    Column(
        "baseline_kpa",
        _REAL,
        "Cell pressure before the ignition.",
        lambda r: r.computed.baseline_kpa,
        "kPa",
    ),
    Column(
        "noise_kpa",
        _REAL,
        "Standard deviation of the cell pressure before the ignition.",
        lambda r: r.computed.noise_kpa,
        "kPa",
    ),
    Column("basis", _TEXT, "Which flash temperature is corrected.", lambda r: r.computed.basis),
    Column("rules_version", _TEXT, "Rules that judged the cycle.", lambda r: r.rules_version),
)

_FIRST = ("analyzer", "epoch", "cycle_number", "finished_at", "sampled_at", "judged_at", "verdict")
_DECLARED = {c.name: c for c in (*_OWN, *_FROM_CATALOGUE)}
if len(_DECLARED) != len(_OWN) + len(_FROM_CATALOGUE):
    raise AssertionError("a column of results is declared twice")

RESULT_COLUMNS: tuple[Column, ...] = (
    *(_DECLARED[name] for name in _FIRST),
    *(c for name, c in _DECLARED.items() if name not in _FIRST),
)

_LIST = _list_of(pa.float32())

TRACE_COLUMNS: tuple[Column, ...] = (
    *(_DECLARED[name] for name in ("analyzer", "epoch", "cycle_number", "finished_at")),
    Column(
        "source",
        _TEXT,
        "block: the analyzer's own record; polled: our readings of its live values.",
        lambda r: r.cycle.trace.source.value if r.cycle.trace else None,
    ),
    Column(
        "time_s",
        _LIST,
        "Seconds from the start of the record.",
        lambda r: r.cycle.trace.time_s if r.cycle.trace else None,
        "s",
    ),
    Column(
        "temperature_c",
        _LIST,
        "Sample temperature.",
        lambda r: r.cycle.trace.temperature_c if r.cycle.trace else None,
        "°C",
    ),
    Column(
        "pressure_kpa",
        _LIST,
        "Cell pressure above ambient, as the transducer reads it.",
        lambda r: r.cycle.trace.pressure_kpa if r.cycle.trace else None,
        "kPa",
    ),
)

COLUMNS: dict[TableName, tuple[Column, ...]] = {
    TableName.RESULTS: RESULT_COLUMNS,
    TableName.TRACES: TRACE_COLUMNS,
}

KEY = ("analyzer", "epoch", "cycle_number")
"""What names a row for ever."""

ORDER = ("finished_at", "epoch", "cycle_number")
"""How the rows of one file are sorted."""


def schema(table: TableName, rules_version: str = "") -> pa.Schema:
    """The table's schema, with the versions it was written by as metadata."""
    return pa.schema(
        [c.field for c in COLUMNS[table]],
        metadata={
            b"schema_version": str(SCHEMA_VERSION).encode(),
            b"gateway_version": __version__.encode(),
            b"rules_version": rules_version.encode(),
        },
    )


def part_of_schema(table: TableName, columns: Sequence[str] | None) -> pa.Schema:
    """The schema with these columns only, in their order; None: with all."""
    full = schema(table)
    if columns is None:
        return full
    return pa.schema([full.field(name) for name in columns]).with_metadata(full.metadata)


def rows(table: TableName, results: Sequence[Result]) -> pa.Table:
    """The results as rows of the table; for traces only those that have one."""
    if table is TableName.TRACES:
        results = [r for r in results if r.cycle.trace is not None]
    version = results[-1].rules_version if results else ""
    arrays = [_array([c.get(r) for r in results], c.type) for c in COLUMNS[table]]
    return pa.Table.from_arrays(arrays, schema=schema(table, version))


def _array(values: Iterable[Any], kind: pa.DataType) -> pa.Array[Any]:
    if kind == _LIST:
        return pa.array([None if v is None else _float32(v) for v in values], kind)
    return pa.array([_storable(v) for v in values], kind)


def _float32(values: Any) -> pa.Array[Any]:
    """float32 with null for what is not finite, also when it only overflows float32."""
    with np.errstate(over="ignore"):
        narrow = np.asarray(values, np.float64).astype(np.float32)
    return pa.array(narrow, pa.float32(), mask=~np.isfinite(narrow))


def _storable(value: Any) -> Any:
    """Refuses nothing: one odd value must not keep every later row from the history."""
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
