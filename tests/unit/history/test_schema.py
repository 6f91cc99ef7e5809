"""Columns, units and rows of the history's tables."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa

from edgeflash import __version__
from edgeflash.history.schema import COLUMNS, SCHEMA_VERSION, TableName, rows, schema
from edgeflash.model import Computed, Trace, TraceSource, Verdict
from edgeflash.points import CATALOGUE, PointType
from tests.unit.journal.samples import START, entries_of, sample_result

WANTED = (
    "analyzer epoch cycle_number verdict reasons findings reported_c recomputed_c corrected_c "
    "published_c sampled_at finished_at judged_at product low_flash source continuity missed "
    "duration_s torn ignition_time_s ignition_seen_c ignition_count start_temperature_c "
    "baseline_kpa noise_kpa basis rules_version unsteadiness_c rise_s decay_s as_read"
)

UNIT_OF_SUFFIX = {
    "_c": "°C",
    "_kpa": "kPa",
    "_s": "s",
    "_c_per_min": "°C/min",
    "_percent": "%",
}


def test_every_wanted_column_is_there_once() -> None:
    """The columns the tools of analysts are built on; order may change, names may not."""
    names = schema(TableName.RESULTS).names
    assert set(WANTED.split()) <= set(names)
    assert len(names) == len(set(names))


def test_published_figures_become_columns_by_themselves() -> None:
    """Each catalogue point with `of_result` is a column of its type, with its description."""
    table = schema(TableName.RESULTS)
    for point in (p for p in CATALOGUE if p.of_result is not None):
        field = table.field(point.name)
        assert field.metadata[b"description"].decode() == point.column_description
        if point.type is PointType.FLOAT:
            assert field.type == pa.float64()


def test_everything_computed_is_a_column() -> None:
    """So that a row says all of what was computed, and a replay can begin from it."""
    assert {f.name for f in dataclasses.fields(Computed)} <= set(schema(TableName.RESULTS).names)


def test_units_agree_with_names() -> None:
    """A name that ends in a unit carries that unit in its metadata, and every column a text."""
    for table in TableName:
        for field in schema(table):
            suffix = max((s for s in UNIT_OF_SUFFIX if field.name.endswith(s)), key=len, default="")
            assert field.metadata[b"unit"].decode() == UNIT_OF_SUFFIX.get(suffix, ""), field.name
            assert field.metadata[b"description"]


def test_versions_are_in_the_metadata() -> None:
    """A file says by which schema, gateway and rules it was written."""
    metadata = rows(TableName.RESULTS, entries_of([sample_result(1)])).schema.metadata
    assert metadata[b"schema_version"].decode() == str(SCHEMA_VERSION)
    assert metadata[b"gateway_version"].decode() == __version__
    assert metadata[b"rules_version"] == b"2026.1"


def test_a_row_says_what_the_result_says() -> None:
    """Every column against the result it came from."""
    result = sample_result(3)
    (entry,) = entries_of([result])
    (row,) = rows(TableName.RESULTS, entries_of([result])).to_pylist()
    for column in COLUMNS[TableName.RESULTS]:
        if column.name not in ("findings", "reasons", "checks"):
            assert row[column.name] == column.get(entry), column.name
    assert row["verdict"] == "rejected"
    assert (row["journal_begun_at"], row["journal_seq"]) == (START, 1)
    assert row["reasons"] == ["torn_read", "ignition_weak"]
    assert row["findings"][1] == {
        "code": 301,
        "rule": "ignition_weak",
        "severity": "doubt",
        "sentence": "The peak is 1.2 kPa.",
        "measured": 1.2,
        "limit": 2.0,
        "unit": "kPa",
    }
    assert row["checks"] == [dataclasses.asdict(check) for check in result.checks]
    assert row["finished_at"] == result.cycle.finished_at
    assert row["finished_at"].tzinfo is not None


def test_times_are_utc_microseconds() -> None:
    """Nanoseconds break readers; another zone would move rows (P2, P3)."""
    for table in TableName:
        stamps = [f.type for f in schema(table) if pa.types.is_timestamp(f.type)]
        assert stamps
        assert set(stamps) == {pa.timestamp("us", "UTC")}
    moment = datetime(2026, 5, 1, 0, 0, 0, 123456, tzinfo=UTC)
    table = rows(TableName.RESULTS, entries_of([sample_result(1, finished_at=moment)]))
    assert table["finished_at"].to_pylist() == [moment]


def test_not_a_number_is_null() -> None:
    """NaN and infinity become null, in figures, findings and traces alike."""
    nan = float("nan")
    trace = Trace(
        TraceSource.POLLED,
        np.array([0.0, 1.0, 2.0]),
        np.array([nan, 45.0, np.inf]),
        np.array([0.1, 1e300, -np.inf]),  # 1e300 is infinite as float32
    )
    result = sample_result(3, trace=trace)
    finding = dataclasses.replace(result.findings[0], measured=nan)
    result = dataclasses.replace(
        result, computed=Computed(peak_kpa=nan, noise_kpa=float("inf")), findings=(finding,)
    )
    (row,) = rows(TableName.RESULTS, entries_of([result])).to_pylist()
    assert row["peak_kpa"] is None
    assert row["noise_kpa"] is None
    assert row["findings"][0]["measured"] is None
    (row,) = rows(TableName.TRACES, entries_of([result])).to_pylist()
    assert row["temperature_c"] == [None, 45.0, None]
    assert row["pressure_kpa"] == [np.float32(0.1), None, None]


def test_odd_text_does_not_stop_the_history() -> None:
    """Half a surrogate pair from a device's string is stored as a mark, not refused."""
    result = dataclasses.replace(sample_result(1), product="diesel \ud83d")
    assert rows(TableName.RESULTS, entries_of([result]))["product"].to_pylist() == ["diesel ?"]


def test_only_cycles_with_a_trace_are_in_traces() -> None:
    """A cycle without trace has a row in results only."""
    results = [sample_result(1), sample_result(2, with_trace=False)]
    assert rows(TableName.TRACES, entries_of(results))["cycle_number"].to_pylist() == [1]
    assert len(rows(TableName.RESULTS, entries_of(results))) == 2


def test_no_results_give_an_empty_table() -> None:
    """Of the same schema, so that joining and exporting need no special case."""
    for table in TableName:
        assert rows(table, []).schema.equals(schema(table))


def test_every_verdict_is_stored_by_its_name() -> None:
    """The words of the vocabulary, not numbers."""
    results = [sample_result(n, verdict=v) for n, v in enumerate(Verdict)]
    assert rows(TableName.RESULTS, entries_of(results))["verdict"].to_pylist() == [
        "accepted",
        "doubtful",
        "rejected",
    ]
