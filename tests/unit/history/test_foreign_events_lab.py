"""Events and laboratory results as analysts read them, with each reader's defaults."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.dataset as ds
import pytest

from edgeflash.history import HistoryWriter, read_events, read_lab
from edgeflash.history.schema import TABLES, TableName, schema
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus

START = datetime(2026, 4, 30, 20, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
TABLE_OF = {"events": 24, "lab": 12}
"""Rows by table."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Events of two analyzers and of none, over a month's end; lab results, some without figure."""
    top = tmp_path_factory.mktemp("live")
    names = ("kestrel-1", "kestrel-2", "")
    with Journal.open(top / "journal.sqlite3") as journal:
        writer = HistoryWriter(journal, top / "history")
        for part in (range(4), range(4, 8)):
            done = [
                journal.append_event(
                    EventEntry(
                        START + n * HOUR,
                        EventKind.COMMENT if name else EventKind.USER_CHANGED,
                        name,
                        who="mara",
                        text=f"Nr. {n}: ±0,5 °C",
                        until=START + n * HOUR + timedelta(microseconds=7) if n % 2 else None,
                    )
                )
                for n in part
                for name in names
            ]
            assert all(d.result(60) for d in done)
            writer.flush()
        for n in range(12):
            value_c = None if n % 3 == 0 else 60.0 + n / 8
            writer.add_lab(
                [
                    LabResult(
                        names[n % 2],
                        f"e-{n}",
                        f"Q-{n}",
                        START + n * HOUR,
                        value_c,
                        LabStatus.FINAL,
                        START + (n + 5) * HOUR,
                    )
                ]
            )
    return top / "history"


def with_arrow(folder: Path) -> pa.Table:
    return ds.dataset(folder, partitioning="hive").to_table()


def with_pandas(folder: Path) -> pa.Table:
    return pa.Table.from_pandas(pd.read_parquet(folder), preserve_index=False)


def with_polars(folder: Path) -> pa.Table:
    return pl.scan_parquet(folder).collect().to_arrow()


def with_duckdb(folder: Path) -> pa.Table:
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
        duck.execute("SET TimeZone = 'UTC'")
        found: pa.Table = duck.sql(f"FROM '{folder}/**/*.parquet'").to_arrow_table()
        return found


READERS = (with_arrow, with_pandas, with_polars, with_duckdb)


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("table", TABLE_OF)
def test_all_read_the_same(folder: Path, table: str, read: Callable[[Path], pa.Table]) -> None:
    """The same rows, types, nulls and times as our own reader gives; Arrow compares."""
    name = TableName(table)
    ours = read_events(folder) if name is TableName.EVENTS else read_lab(folder)
    found = read(folder / table)
    assert len(ours) == len(found) == TABLE_OF[table]
    assert set(found.column_names) == {*ours.column_names, "an", "month"}
    order = [(c, "ascending") for c in ("an", *TABLES[name].key)]
    keys = [f"{'_site' if a is None else a}" for a in found["analyzer"].to_pylist()]
    assert [str(an) for an in found["an"].to_pylist()] == keys
    wanted = schema(name).remove_metadata()
    plain = found.set_column(
        found.column_names.index("an"), "an", pa.array(keys, pa.string())
    ).sort_by(order)
    ours = ours.append_column(
        "an", pa.array(["_site" if a is None else a for a in ours["analyzer"].to_pylist()])
    ).sort_by(order)
    for field in wanted:
        kind = plain.schema.field(field.name).type
        if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
            kind = pa.string()  # Polars and pandas: another layout in memory of the same type
        assert kind == field.type, field.name
        assert plain[field.name].cast(field.type).to_pylist() == ours[field.name].to_pylist()


def test_types_as_each_names_them(folder: Path) -> None:
    """What a user of each sees: aware times in microseconds, plain numbers, text."""
    frame = pd.read_parquet(folder / "lab")
    assert str(frame["sampled_at"].dtype) == "datetime64[us, UTC]"
    assert (frame["value_c"].dtype, frame["repeat_number"].dtype) == (np.float64, np.int64)
    assert frame["value_c"].isna().sum() == 4
    events = pl.read_parquet(folder / "events")
    assert events.schema["at"] == pl.Datetime("us", "UTC")
    assert (events.schema["journal_seq"], events.schema["kind"]) == (pl.Int64, pl.String)
    assert (events.schema["an"], events.schema["month"]) == (pl.String, pl.String)
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
        rows: list[tuple[Any, ...]] = duck.execute(
            f"DESCRIBE FROM '{folder}/events/**/*.parquet'"
        ).fetchall()
        types = {row[0]: row[1] for row in rows}
        assert types["at"] == types["until"] == "TIMESTAMP WITH TIME ZONE"
        assert (types["journal_seq"], types["an"]) == ("BIGINT", "VARCHAR")
        found = duck.execute(
            f"SELECT count(*), count(value_c), isnan(avg(value_c)) FROM '{folder}/lab/**/*.parquet'"
        ).fetchone()
        assert found == (12, 8, False)


def test_what_is_about_no_analyzer_is_found_by_its_key(folder: Path) -> None:
    """And does not make a reader take the folder key for null."""
    frame = pd.read_parquet(folder / "events", filters=[("an", "==", "_site")])
    assert len(frame) == 8
    assert frame["analyzer"].isna().all()
    table = ds.dataset(folder / "events/an=_site", partitioning="hive").to_table()
    assert len(table) == 8
