"""The folder as analysts read it: pandas, DuckDB, Polars and pyarrow, each with its defaults."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.dataset as ds
import pytest

from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from tests.unit.journal.samples import START, sample_result

ROWS = 80
TRACES = 80
ACCEPTED = 40


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two analyzers with 40 cycles each over a month's end; one file rewritten, one set aside,
    one half-written: all that a live folder may hold."""
    top = tmp_path_factory.mktemp("live")
    with Journal.open(top / "journal.sqlite3") as journal:
        for numbers in (range(20), range(20, 40)):
            done = [
                journal.append(sample_result(n, name)) for n in numbers for name in ("fp-1", "a-07")
            ]
            assert all(d.result(10) for d in done)
            HistoryWriter(journal, top / "history").flush()
    for name in (".pending", ".unreadable"):
        (top / "history" / name).mkdir(exist_ok=True)
        (top / "history" / name / "results~fp-1~2026-05~1").write_bytes(b"PAR1 half")
    return top / "history"


@pytest.fixture
def duck() -> Iterator[duckdb.DuckDBPyConnection]:
    """An engine that may fetch nothing."""
    options = {"autoinstall_known_extensions": "false"}
    with duckdb.connect(config=options) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        yield connection


def test_pyarrow(folder: Path) -> None:
    """`an`, `month` and `day` are strings; the file's own columns as declared."""
    table = ds.dataset(folder / "results", partitioning="hive").to_table()
    assert len(table) == ROWS
    assert table.schema.field("finished_at").type == pa.timestamp("us", "UTC")
    assert table.schema.field("an").type == pa.string()
    assert table.schema.field("month").type == pa.string()
    assert table.schema.field("peak_kpa").metadata[b"unit"] == b"kPa"
    traces = ds.dataset(folder / "traces", partitioning="hive").to_table()
    assert len(traces) == TRACES
    assert traces.schema.field("pressure_kpa").type == pa.list_(pa.float32())
    assert traces.schema.field("day").type == pa.string()


def test_pandas(folder: Path) -> None:
    """The folder keys are categories; times are aware; reading one month reads one month."""
    frame = pd.read_parquet(folder / "results")
    assert len(frame) == ROWS
    assert str(frame["finished_at"].dtype) == "datetime64[us, UTC]"
    assert frame["finished_at"].min() == START
    assert frame["published_c"].dtype == np.float64
    assert frame["published_c"].isna().sum() == (frame["verdict"] == "rejected").sum() == 20
    assert sorted(frame["an"].unique()) == ["a-07", "fp-1"]
    assert (frame["an"].astype(str) == frame["analyzer"]).all()
    april = pd.read_parquet(folder / "results", filters=[("month", "==", "2026-04")])
    assert len(april) == 60
    traces = pd.read_parquet(folder / "traces")
    assert len(traces) == TRACES
    assert traces["temperature_c"].iloc[0].dtype == np.float32


def duck_types(duck: duckdb.DuckDBPyConnection, source: str) -> dict[str, str]:
    """Type by column, as DuckDB describes them."""
    return {row[0]: row[1] for row in duck.execute(f"DESCRIBE FROM {source}").fetchall()}


def test_duckdb(folder: Path, duck: duckdb.DuckDBPyConnection) -> None:
    """`day` is a DATE here (text elsewhere) and month is text; lists and structs are native."""
    results, traces = (f"'{folder}/{t}/**/*.parquet'" for t in ("results", "traces"))
    types = duck_types(duck, results)
    assert types["finished_at"] == "TIMESTAMP WITH TIME ZONE"
    assert (types["an"], types["month"]) == ("VARCHAR", "VARCHAR")
    assert (types["reasons"], types["low_flash"]) == ("VARCHAR[]", "BOOLEAN")
    # A null is no NaN: the average is that of the 60 published values.
    found = duck.execute(
        "SELECT count(*), min(finished_at), count(published_c), isnan(avg(published_c)) "
        f"FROM {results}"
    ).fetchone()
    assert found == (ROWS, START, 60, False)
    weak = duck.execute(
        f"SELECT count(*) FROM (SELECT unnest(findings) f FROM {results}) "
        "WHERE f.rule = 'ignition_weak' AND f.measured < f.\"limit\""
    ).fetchone()
    assert weak == (40,)
    types = duck_types(duck, traces)
    assert (types["day"], types["pressure_kpa"]) == ("DATE", "FLOAT[]")
    joined = duck.execute(
        f"SELECT count(*), max(list_max(pressure_kpa)) FROM {traces} JOIN {results} "
        "USING (analyzer, epoch, cycle_number)"
    ).fetchone()
    assert joined is not None
    assert joined[0] == TRACES
    assert joined[1] == pytest.approx(8.0, abs=0.2)


def test_polars(folder: Path) -> None:
    """The folder itself is read, though half-written files exist; `day` is a Date."""
    frame = pl.scan_parquet(folder / "results").collect()
    assert len(frame) == ROWS
    assert frame.schema["finished_at"] == pl.Datetime("us", "UTC")
    assert (frame.schema["an"], frame.schema["month"]) == (pl.String, pl.String)
    assert frame["finished_at"].min() == START
    assert frame.schema["reasons"] == pl.List(pl.String)
    traces = pl.read_parquet(folder / "traces")
    assert len(traces) == TRACES
    assert traces.schema["day"] == pl.Date
    assert traces.schema["temperature_c"] == pl.List(pl.Float32)
    assert set(traces["day"]) == {dt.date(2026, 4, 30), dt.date(2026, 5, 1)}


def test_all_see_the_same_rows(folder: Path, duck: duckdb.DuckDBPyConnection) -> None:
    """One set of keys, whoever reads."""
    key = ["analyzer", "epoch", "cycle_number"]
    arrow = ds.dataset(folder / "results", partitioning="hive").to_table(columns=key)
    expected = sorted(map(tuple, arrow.to_pandas().to_numpy().tolist()))
    pandas_rows = pd.read_parquet(folder / "results", columns=key)[key].to_numpy().tolist()
    polars_rows = pl.scan_parquet(folder / "results").select(key).collect().rows()
    duck_rows = duck.execute(
        f"SELECT {', '.join(key)} FROM '{folder}/results/**/*.parquet'"
    ).fetchall()
    assert len(set(expected)) == ROWS
    for rows in (pandas_rows, polars_rows, duck_rows):
        assert expected == sorted(map(tuple, rows))
