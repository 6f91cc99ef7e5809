"""Files of every version written so far: read together, judged again, and written on.

The files are made by pyarrow, by the list of what each version had; our own writer has no part.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from edgeflash.history import HistoryWriter, export, read_events, read_results, read_traces
from edgeflash.history.by_time import ResultsByTime
from edgeflash.history.layout import partition_of
from edgeflash.history.opening import open_history
from edgeflash.history.relations import connected
from edgeflash.history.schema import KEY, SCHEMA_VERSION, TableName, rows, schema
from edgeflash.history.tail import ResultsTail
from edgeflash.journal import Entry, Journal
from edgeflash.model import Result
from edgeflash.replay.cases import DayOfTraces, Recordings
from tests.unit.history.written_schemas import WRITTEN, Written
from tests.unit.journal.samples import START, sample_result

R, T = TableName.RESULTS, TableName.TRACES
NAME = "kestrel-1"
HOUR = timedelta(hours=1)


def results_of(month: int) -> list[Result]:
    """Four cycles of a month, one of each verdict and more; numbers 100 a month."""
    start = datetime(2026, month, 10, tzinfo=UTC)
    made = [sample_result(100 * month + n, NAME, finished_at=start + n * HOUR) for n in range(4)]
    return [replace(r, low_flash_alarm=n == 0) for n, r in enumerate(made)]


MONTH_OF = {version: number for number, version in enumerate(WRITTEN, start=1)}
ALL = [r for month in MONTH_OF.values() for r in results_of(month)]
NUMBERS = [r.cycle.cycle_number for r in ALL]


def rows_of(table: TableName, results: list[Result]) -> pa.Table:
    """As a journal gives them that counts on from month to month."""
    return rows(table, [Entry(r.cycle.cycle_number, r, START) for r in results])


def write_as(folder: Path, version: Written, results: list[Result]) -> None:
    """Files of results and traces as that version wrote them."""
    for table in (R, T):
        columns = version.tables[table]
        whole = rows_of(table, results).select(list(columns))
        wanted = pa.schema(
            [pa.field(name, kind, metadata={b"unit": b""}) for name, kind in columns.items()],
            metadata={b"schema_version": str(version.number).encode()},
        )
        path = partition_of(table, NAME, results[0].cycle.finished_at).path(folder)
        path.parent.mkdir(parents=True)
        pq.write_table(whole.cast(wanted), path, compression="zstd", store_schema=True)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A month of each version, oldest first."""
    top = tmp_path / "history"
    for version, month in MONTH_OF.items():
        write_as(top, WRITTEN[version], results_of(month))
    return top


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


@pytest.mark.parametrize("kind", ["results", "traces"])
def test_a_relation_has_the_rows_of_every_version(folder: Path, kind: str) -> None:
    """In the present columns and types, whichever version the first file is of; as Arrow has
    them. One file of a schema of its own: a newer edgeflash added a column to it."""
    newest = sorted((folder / kind).rglob("*.parquet"))[-1]
    added = pq.ParquetFile(newest).read()
    pq.write_table(added.append_column("humidity", pa.array([0.5] * len(added))), newest)
    query = getattr(open_history(folder), kind)()
    relation = query.to_duckdb()
    assert relation.columns == query.schema.names
    empty = connected().from_arrow(query.schema.empty_table())
    assert relation.types == empty.types
    found = relation.order("analyzer, epoch, cycle_number").to_arrow_table()
    expected = query.to_arrow().sort_by([(n, "ascending") for n in KEY])
    assert len(expected) == len(ALL)
    assert expected.to_pylist() == found.to_pylist()


def test_the_present_schema_is_the_last_that_is_listed() -> None:
    """Whoever adds a column lists it: in the last version while that is not released, else in a new
    one, with the next SCHEMA_VERSION."""
    last = [*WRITTEN.values()][-1]
    assert last.number == SCHEMA_VERSION
    for table in TableName:
        assert {f.name: f.type for f in schema(table)} == dict(last.tables[table])


@pytest.mark.parametrize("version", WRITTEN)
def test_later_versions_only_add(version: str) -> None:
    """No column is gone and none has another type; the name inside a list may differ."""
    for table, columns in WRITTEN[version].tables.items():
        for name, kind in columns.items():
            now = schema(table).field(name).type
            if pa.types.is_list(kind):
                assert now.value_type == kind.value_type
            else:
                assert now == kind


def test_our_readers_read_all_in_one_folder(folder: Path) -> None:
    """Every row in the present schema; null where its version had no column yet."""
    found = read_results(folder)
    assert found.schema.equals(schema(R), check_metadata=True)
    assert found["cycle_number"].to_pylist() == NUMBERS
    expected = rows_of(R, ALL)
    for version, month in MONTH_OF.items():
        had = WRITTEN[version].tables[R]
        first = 4 * (month - 1)
        for column in schema(R).names:
            got = found[column].slice(first, 4).to_pylist()
            if column in had:
                assert got == expected[column].slice(first, 4).to_pylist(), column
            else:
                assert got == [None] * 4, column
    traces = read_traces(folder)
    assert traces.schema.equals(schema(T), check_metadata=True)
    for column in ("time_s", "temperature_c", "pressure_kpa"):
        assert traces[column].to_pylist() == rows_of(T, ALL)[column].to_pylist()
    assert len(read_events(folder)) == 0


def test_results_by_time_read_all(folder: Path, journal: Journal) -> None:
    """As OPC UA HistoryRead asks for them, either way."""
    columns = ("epoch", "cycle_number", "sampled_at", "published_c", "margin_c")
    results = ResultsByTime(folder, ResultsTail(journal, columns), NAME, columns)
    span = (datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 1, tzinfo=UTC))
    for forward in (True, False):
        found = [row["cycle_number"] for row in results.rows(*span, forward=forward)]
        assert found == (NUMBERS if forward else NUMBERS[::-1])


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_has_all(folder: Path, tmp_path: Path, form: str) -> None:
    """One file of one schema."""
    path = tmp_path / f"all.{form}"
    assert export(read_results(folder), path) == len(ALL)
    if form == "parquet":
        assert pq.read_table(path)["cycle_number"].to_pylist() == NUMBERS
    else:
        assert path.read_text("utf-8").count("\n") == len(ALL) + 1


def test_a_replay_has_all_that_can_be_judged_again(folder: Path) -> None:
    """What was read is there from the complete rules on; before that it says so. In the order of
    judging, which is that of the months here."""
    recordings = Recordings(folder, None)
    places = recordings.places(NAME)
    assert [p.key[1] for p in places] == NUMBERS
    by_key = {r.cycle.cycle_number: r for r in ALL}
    for shard in recordings.shards(NAME, places):
        traces = DayOfTraces(folder, shard)
        for recorded in shard.recorded:
            made = by_key[recorded.key[1]]
            assert (recorded.verdict, recorded.published_c) == (made.verdict, made.published_c)
            assert recorded.findings == made.findings
            assert recorded.low_flash_alarm == made.low_flash_alarm
            version = WRITTEN[[*MONTH_OF][recorded.finished_at.month - 1]]
            if "as_read" in version.tables[R]:
                assert recorded.why_not == ""
                assert recorded.read(*traces.of(recorded.key))[0] == made.cycle
                assert (recorded.computed, recorded.checks) == (made.computed, made.checks)
            else:
                assert "older edgeflash" in recorded.why_not


@pytest.mark.parametrize("version", WRITTEN)
def test_new_rows_come_to_an_old_file(folder: Path, journal: Journal, version: str) -> None:
    """Late ones, among the old: each row once, in its place, and the file is of the present
    version."""
    month = MONTH_OF[version]
    old = results_of(month)
    late = sample_result(7, NAME, finished_at=old[1].cycle.finished_at + HOUR / 2)
    for result in (late, old[2]):
        assert journal.append(result).result(60)
    before = read_results(folder)
    report = HistoryWriter(journal, folder).flush()
    assert (report.results, report.traces, report.files) == (1, 1, 2)
    for table in (R, T):
        path = partition_of(table, NAME, late.cycle.finished_at).path(folder)
        on_disk = pq.read_table(path, partitioning=None)
        version_now = str(SCHEMA_VERSION).encode()
        assert on_disk.schema.metadata[b"schema_version"] == version_now
        assert {f.name: f.type for f in on_disk.schema} == {f.name: f.type for f in schema(table)}
        numbers = [r.cycle.cycle_number for r in old]
        assert on_disk["cycle_number"].to_pylist() == [*numbers[:2], 7, *numbers[2:]]
    after = read_results(folder)
    kept = after.filter(pa.array([n != 7 for n in after["cycle_number"].to_pylist()]))
    assert kept.to_pylist() == before.to_pylist()


def test_other_readers_read_all_by_the_names_of_the_columns(folder: Path) -> None:
    """DuckDB, Polars and Arrow, each told that later files have more columns."""
    pattern = f"{folder}/results/**/*.parquet"
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
        found = duck.execute(
            "SELECT count(*), count(margin_c), count(journal_seq), sum(len(findings)) "
            f"FROM read_parquet('{pattern}', union_by_name = true)"
        ).fetchone()
    findings = sum(len(r.findings) for r in ALL)
    expected = (len(ALL), 4 * 3, 4 * 2, findings)
    assert found == expected
    newest = sorted(folder.glob("results/an=*/month=*/*.parquet"), reverse=True)
    frame = pl.scan_parquet(
        newest, missing_columns="insert", extra_columns="ignore", hive_partitioning=True
    ).collect()
    counts = (len(frame), frame["margin_c"].count(), frame["journal_seq"].count())
    assert (*counts, frame["findings"].list.len().sum()) == expected
    arrow = ds.dataset(folder / "results", schema=schema(R), partitioning="hive").to_table()
    valid = [len(arrow) - arrow[n].null_count for n in ("epoch", "margin_c", "journal_seq")]
    assert tuple(valid) == expected[:3]
    assert arrow["cycle_number"].to_pylist() == NUMBERS
