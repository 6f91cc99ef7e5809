"""Exports: readable by others, whole or not at all."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edgeflash.errors import StorageError, UsageError
from edgeflash.history import export
from edgeflash.history.schema import TableName, rows, schema
from edgeflash.model import Trace, TraceSource
from tests.unit.journal.samples import entries_of, sample_result

RESULTS = rows(TableName.RESULTS, entries_of(sample_result(n, with_trace=False) for n in range(4)))


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_as_the_standard_reader_sees_it(tmp_path: Path) -> None:
    """One header, ISO times with Z, lists joined by "; ", nothing as an empty field (RFC 4180).

    Not the cycles as read: they are for a replay, not for a spreadsheet.
    """
    path = tmp_path / "out.csv"
    assert export(RESULTS, path) == 4
    found = read_csv(path)
    assert list(found[0]) == [n for n in schema(TableName.RESULTS).names if n != "as_read"]
    assert found[0]["checks"] == (
        "epoch=0 cycle_number=0 finished_at=2026-04-30T22:00:00Z corrected_c=62.1 reference_c=62.0"
    )
    rejected = found[3]
    assert rejected["finished_at"] == "2026-04-30T22:12:00.000000Z"
    assert rejected["reasons"] == "torn_read; ignition_weak"
    assert rejected["findings"] == "The record moved on; read again.; The peak is 1.2 kPa."
    assert rejected["published_c"] == ""
    assert float(found[2]["published_c"]) == 62.7
    assert pd.read_csv(path, parse_dates=["finished_at"])["finished_at"].dt.tz is not None


def test_traces_in_csv(tmp_path: Path) -> None:
    """A list of figures is one field; what is not known is an empty place in it."""
    trace = Trace(
        TraceSource.BLOCK,
        np.array([0.0, 0.5, 1.0]),
        np.array([45.0, np.nan, 45.5]),
        np.zeros(3),
    )
    path = tmp_path / "traces.csv"
    export(rows(TableName.TRACES, entries_of([sample_result(1, trace=trace)])), path)
    (found,) = read_csv(path)
    figures = found["temperature_c"].split("; ")
    assert [float(f) if f else None for f in figures] == [45.0, None, 45.5]
    assert [float(f) for f in found["time_s"].split("; ")] == [0.0, 0.5, 1.0]


def test_parquet_keeps_types_and_units(tmp_path: Path) -> None:
    """The exported file is the table."""
    path = tmp_path / "out.parquet"
    export(RESULTS, path)
    back = pq.read_table(path)
    assert back.equals(RESULTS)
    assert back.schema.field("peak_kpa").metadata[b"unit"] == b"kPa"


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_tables_are_written_as_they_come(suffix: str, tmp_path: Path) -> None:
    """A stream of tables gives the same file as one table; none gives an empty file."""
    whole, parts, empty = (tmp_path / f"{n}.{suffix}" for n in ("whole", "parts", "empty"))
    export(RESULTS, whole)
    pieces = [RESULTS.slice(0, 1), RESULTS.slice(0, 0), RESULTS.slice(1)]
    assert export(iter(pieces), parts, RESULTS.schema) == 4
    assert export(iter(()), empty, RESULTS.schema) == 0
    if suffix == "csv":
        assert whole.read_bytes() == parts.read_bytes()
        assert read_csv(empty) == []
        assert empty.read_text().startswith('"analyzer"')
    else:
        assert pq.read_table(parts).equals(RESULTS)
        assert pq.read_table(empty).schema.equals(RESULTS.schema)


def test_a_failing_export_leaves_the_old_file(tmp_path: Path) -> None:
    """When the rows break off, what stood there stands, and nothing half-written is left."""

    def breaking() -> object:
        yield RESULTS
        raise StorageError("a file of the history cannot be read")

    path = tmp_path / "out.csv"
    path.write_text("old")
    with pytest.raises(StorageError):
        export(breaking(), path, RESULTS.schema)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_an_unknown_form_is_wrong_use(tmp_path: Path) -> None:
    """The message says which there are."""
    with pytest.raises(UsageError, match="csv, parquet"):
        export(RESULTS, tmp_path / "out.xlsx")


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    """No folder is made; the path is in the message."""
    path = tmp_path / "nowhere" / "out.csv"
    with pytest.raises(StorageError, match=str(path)):
        export(RESULTS, path)


def test_a_stream_needs_its_schema(tmp_path: Path) -> None:
    """An empty stream would not tell its columns."""
    with pytest.raises(UsageError, match="schema"):
        export(iter([RESULTS]), tmp_path / "out.csv")
    assert isinstance(RESULTS, pa.Table)
