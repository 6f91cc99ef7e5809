"""The columns of `results`, one row for each judged cycle, and how a result fills them. Pure.

Figures that are also published points come from the point catalogue; they are not named here.
Later versions only add columns.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import attrgetter
from typing import Any

import pyarrow as pa

from edgeflash.history.column import FLAG, REAL, TEXT, TIMESTAMP, WHOLE, Column
from edgeflash.history.samples import list_of
from edgeflash.journal import Entry, encode_cycle
from edgeflash.model import Result
from edgeflash.points import CATALOGUE, Point, PointType
from edgeflash.units import INSIDE, Quantity

AS_READ = "as_read"
"""Column of results with the text of the cycle, of journal.encode_cycle."""

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


def of_result(
    name: str, kind: pa.DataType, description: str, get: Callable[[Result], Any], unit: str = ""
) -> Column[Entry]:
    """A column filled by the entry's result."""
    return Column(name, kind, description, lambda entry: get(entry.result), unit)


_TYPE_OF_POINT: dict[PointType, pa.DataType] = {
    PointType.FLOAT: pa.float64(),
    PointType.INT: pa.int64(),
    PointType.CODE: pa.int32(),
    PointType.FLAG: pa.bool_(),
    PointType.TIME: TIMESTAMP,
    PointType.TEXT: pa.string(),
}


def _of_point(point: Point, get: Callable[[Result], Any]) -> Column[Entry]:
    unit = "" if point.quantity is Quantity.NONE else INSIDE[point.quantity].label
    return of_result(point.name, _TYPE_OF_POINT[point.type], point.column_description, get, unit)


_FROM_CATALOGUE = tuple(_of_point(p, p.of_result) for p in CATALOGUE if p.of_result is not None)

_OWN = (
    of_result("analyzer", TEXT, "Identifier of the analyzer.", lambda r: r.cycle.analyzer),
    of_result(
        "finished_at", TIMESTAMP, "When the result was made, UTC.", lambda r: r.cycle.finished_at
    ),
    of_result("judged_at", TIMESTAMP, "When the gateway judged it, UTC.", lambda r: r.judged_at),
    of_result("verdict", TEXT, "accepted, doubtful or rejected.", lambda r: r.verdict.value),
    of_result(
        "published_c",
        REAL,
        "This cycle's own flash point as it may be used; null when rejected.",
        lambda r: r.published_c,
        "°C",
    ),
    of_result("reasons", list_of(TEXT), "Rules that doubt or reject.", lambda r: r.reasons),
    of_result(
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
    of_result("product", TEXT, "Product flowing in the stream.", lambda r: r.product),
    of_result(
        "low_flash",
        FLAG,
        "The evidence of this cycle is compatible with a flash point that is too low.",
        lambda r: r.low_flash,
    ),
    of_result("source", TEXT, "live, or ring: fetched later.", lambda r: r.cycle.source.value),
    of_result(
        "continuity",
        TEXT,
        "How the number follows the one before.",
        lambda r: r.cycle.continuity.value,
    ),
    of_result("missed", WHOLE, "Cycles missed before this one.", lambda r: r.cycle.missed),
    of_result(
        "duration_s", REAL, "Time since the cycle before.", lambda r: r.cycle.duration_s, "s"
    ),
    of_result("torn", FLAG, "The analyzer moved on while it was read.", lambda r: r.cycle.torn),
    of_result("basis", TEXT, "Which flash temperature is corrected.", lambda r: r.computed.basis),
    of_result("rules_version", TEXT, "Rules that judged the cycle.", lambda r: r.rules_version),
    of_result(
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


def _computed(
    name: str, description: str, unit: str = "", kind: pa.DataType = REAL
) -> Column[Entry]:
    return of_result(name, kind, description, attrgetter(f"computed.{name}"), unit)


_COMPUTED = (
    _computed("ignition_time_s", "Ignition onset, from the start of the trace.", "s"),
    _computed("ignition_seen_c", "What the sensor showed at the ignition onset.", "°C"),
    _computed("ignition_count", "Ignitions in the trace.", kind=WHOLE),
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
    _computed("trace_digest", "CRC-32 of the trace, to know it again.", kind=WHOLE),
)
_AS_READ: Column[Entry] = Column(
    AS_READ,
    TEXT,
    "The cycle and the control system's values as they were read, in JSON, for judging again.",
    lambda e: e.cycle_text or encode_cycle(e.result.cycle, e.result.inputs),
)

_PLACE: tuple[Column[Entry], ...] = (
    Column(
        "journal_begun_at",
        TIMESTAMP,
        "When the journal that the row came from was made, UTC.",
        lambda e: e.journal_begun_at,
    ),
    Column(
        "journal_seq",
        WHOLE,
        "Place of the row in that journal; rises in the order of judging, with gaps.",
        lambda e: e.seq,
    ),
)

_FIRST = ("analyzer", "epoch", "cycle_number", "finished_at", "sampled_at", "judged_at", "verdict")
_ALL = (*_OWN, *_COMPUTED, *_FROM_CATALOGUE, *_PLACE, _AS_READ)
_DECLARED = {c.name: c for c in _ALL}
if len(_DECLARED) != len(_ALL):
    raise AssertionError("a column of results is declared twice")

RESULT_COLUMNS: tuple[Column[Entry], ...] = (
    *(_DECLARED[name] for name in _FIRST),
    *(c for name, c in _DECLARED.items() if name not in _FIRST),
)
