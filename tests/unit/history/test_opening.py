"""The analyst's interface: the same rows in every form, each once, with units, types and nulls.

Outside readers: pandas, DuckDB and pyarrow themselves.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.fs as pa_fs
import pyarrow.parquet as pq
import pytest

from edgeflash.errors import StorageError, UsageError
from edgeflash.extras import MissingExtraError
from edgeflash.history import (
    HistoryWriter,
    open_history,
    read_events,
    read_lab,
    read_results,
    read_traces,
)
from edgeflash.history.layout import Partition
from edgeflash.history.query import width_of
from edgeflash.history.relations import connected
from edgeflash.history.resample import resample
from edgeflash.history.schema import TableName
from edgeflash.journal import Journal
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus, Verdict
from tests.unit.history.test_history_command import MAP, SITE
from tests.unit.journal.samples import CYCLE, START, sample_result

NAMES = ("fp-101", "fp-102")
LAB = LabResult("fp-101", "e-1", "Q-1", START, 62.5, LabStatus.FINAL, START + timedelta(days=1))


class Place:
    """A gateway's state: journal, history, site file."""

    def __init__(self, top: Path) -> None:
        self.site = top / "site.toml"
        self.site.write_text(SITE.replace("number = 1", "number = 1\nhold_s = 600"))
        (top / "map.toml").write_text(MAP)
        self.folder = top / "state" / "history"
        self.journal = Journal.open(top / "state" / "journal.sqlite3")
        self.writer = HistoryWriter(self.journal, self.folder)

    def store(self, numbers: range) -> None:
        done = [self.journal.append(sample_result(n, name)) for n in numbers for name in NAMES]
        assert all(d.result(30) for d in done)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """Two analyzers over a month's end: of 40 cycles each 34 in the files, the rest in the journal
    only; an event of an analyzer and one of the site, each twice; a laboratory result."""
    made = Place(tmp_path)
    with made.journal:
        made.store(range(34))
        for n in range(2):
            for analyzer in ("fp-101", ""):
                event = EventEntry(START + n * CYCLE, EventKind.COMMENT, analyzer, text=f"no {n}")
                made.journal.append_event(event).result(30)
            if n == 0:
                made.writer.flush()
        made.writer.add_lab([LAB])
        made.store(range(34, 40))
        yield made


def rows_of(relation: Any, *order: str) -> list[tuple[Any, ...]]:
    """A relation's rows in order, as DuckDB gives them."""
    found: list[tuple[Any, ...]] = relation.order(", ".join(order)).fetchall()
    return found


def test_all_forms_give_the_same_rows(place: Place) -> None:
    """Those of read_results, with the journal's by the site file, without them by the folder."""
    for where, journal in ((place.site, place.journal), (place.folder, None)):
        history = open_history(where)
        wanted = read_results(place.folder, journal)
        query = history.results()
        assert query.to_arrow().equals(wanted)
        assert query.to_arrow().schema.equals(wanted.schema, check_metadata=True)
        batches = list(query.batches(rows=7))
        assert max(len(b) for b in batches) <= 7
        assert pa.Table.from_batches(batches, query.schema).equals(wanted)
        frame = query.to_pandas()
        assert frame["cycle_number"].tolist() == wanted["cycle_number"].to_pylist()
        assert list(frame.columns) == wanted.column_names
        order = ("analyzer", "finished_at")
        relation = query.to_duckdb()
        assert relation.columns == wanted.column_names
        found = rows_of(relation, *order)
        assert [row[:3] for row in found] == list(
            zip(*(wanted[n].to_pylist() for n in wanted.column_names[:3]), strict=True)
        )
        assert query.count() == len(found) == len(wanted) == (80 if journal else 68)


SELECTIONS: list[dict[str, Any]] = [
    {"analyzer": "fp-102"},
    {"since": START + 10 * CYCLE, "until": START + 33 * CYCLE},
    {"verdict": Verdict.REJECTED},
    {"verdict": "doubtful", "since": START + 5 * CYCLE, "analyzer": "fp-101"},
    {"since": datetime(2026, 5, 1, tzinfo=UTC)},
    {"analyzer": "fp-999"},
]


@pytest.mark.parametrize("chosen", SELECTIONS)
@pytest.mark.parametrize("kind", ["results", "traces"])
def test_rows_are_chosen_alike(place: Place, kind: str, chosen: dict[str, Any]) -> None:
    """By analyzer, time and verdict, in each form and with any columns; of traces by the cycle's
    verdict."""
    read = read_results if kind == "results" else read_traces
    given = {**chosen}
    if "verdict" in given:
        given["verdict"] = Verdict(given["verdict"])
    wanted = read(place.folder, place.journal, **given)
    query = getattr(open_history(place.site), kind)(**chosen)
    assert query.to_arrow().equals(wanted)
    assert query.count() == len(wanted)
    one = query.select("cycle_number")
    assert one.to_arrow().equals(wanted.select(["cycle_number"]))
    assert one.to_pandas()["cycle_number"].tolist() == wanted["cycle_number"].to_pylist()
    keys = rows_of(query.select("analyzer", "cycle_number").to_duckdb(), "ALL")
    named = zip(wanted["analyzer"].to_pylist(), wanted["cycle_number"].to_pylist(), strict=True)
    assert keys == sorted(named)


def test_events_and_laboratory_results(place: Place) -> None:
    """With what of the events is only in the journal; the site's own by an empty analyzer."""
    history = open_history(place.site)
    assert history.events().to_arrow().equals(read_events(place.folder, place.journal))
    assert history.events().count() == 4
    assert history.events("").select("text").to_arrow()["text"].to_pylist() == ["no 0", "no 1"]
    assert rows_of(history.events("fp-101", columns=["text"]).to_duckdb(), "ALL") == [
        ("no 0",),
        ("no 1",),
    ]
    assert history.events(until=START + CYCLE).to_duckdb().count("*").fetchall() == [(2,)]
    assert history.lab("fp-101").to_arrow().equals(read_lab(place.folder))
    assert history.lab().to_duckdb().project("entry_id, value_c").fetchall() == [("e-1", 62.5)]
    assert history.lab("fp-102").count() == 0
    assert history.analyzers() == list(NAMES)


def test_a_relation_sees_each_row_once_before_and_after_a_flush(place: Place) -> None:
    """Made before the journal's tail comes to the files, asked after it."""
    relations = [
        getattr(open_history(place.site), kind)().to_duckdb() for kind in ("results", "traces")
    ]
    events = open_history(place.site).events().to_duckdb()
    for _ in range(2):
        for relation in relations:
            counts = relation.aggregate("count(*), count(DISTINCT (analyzer, cycle_number))")
            assert counts.fetchall() == [(80, 80)]
        assert events.aggregate("count(*)").fetchall() == [(4,)]
        place.writer.flush()


def test_a_relation_joins_others_of_the_same_connection(place: Place) -> None:
    """Results with their traces, by the key."""
    history, connection = open_history(place.site), connected()
    results = history.results("fp-101").to_duckdb(connection).set_alias("r")
    traces = history.traces("fp-101").to_duckdb(connection).set_alias("t")
    same = "r.epoch = t.epoch AND r.cycle_number = t.cycle_number"
    joined = results.join(traces, same).aggregate("count(*), max(len(t.pressure_kpa))")
    assert joined.fetchall() == [(40, 60)]


def test_duckdb_fetches_nothing_and_tells_times_in_utc(place: Place) -> None:
    connection = connected()
    settings = connection.sql(
        "SELECT current_setting('autoinstall_known_extensions'), current_setting('TimeZone')"
    )
    assert settings.fetchall() == [(False, "UTC")]
    first = open_history(place.folder).results("fp-101").to_duckdb().aggregate("min(finished_at)")
    assert first.fetchall()[0][0].isoformat() == START.isoformat()


def test_pandas_keeps_units_types_and_nulls(place: Place) -> None:
    """Types are those of the column, also where nothing is null; null is never a number."""
    frame = open_history(place.site).results().to_pandas()
    assert frame.attrs["units"]["published_c"] == "°C"
    assert frame.attrs["units"]["peak_kpa"] == "kPa"
    assert "verdict" not in frame.attrs["units"]
    assert frame.attrs["descriptions"]["torn"].startswith("The analyzer moved on")
    for name in ("finished_at", "sampled_at", "judged_at", "journal_begun_at"):
        assert frame[name].dtype == pd.DatetimeTZDtype("us", "UTC"), name
    assert frame["cycle_number"].dtype == np.int64
    assert frame["stream"].dtype == frame["missed"].dtype == pd.Int64Dtype()
    assert frame["torn"].dtype == pd.BooleanDtype()
    assert frame["published_c"].dtype == np.float64
    rejected = frame["verdict"] == "rejected"
    assert (frame["published_c"].isna() == rejected).all()
    assert frame["findings"].iloc[2][0]["unit"] == "kPa"
    traces = open_history(place.site).traces().to_pandas()
    assert traces["pressure_kpa"].iloc[0].dtype == np.float32
    assert traces.attrs["units"]["pressure_kpa"] == "kPa"


def test_a_null_whole_number_is_no_real_number(place: Place) -> None:
    """Int64 with NA, where pandas by itself makes 2.0 and NaN of it."""
    path = Partition(TableName.RESULTS, "fp-101", "2026-04").path(place.folder)
    table = pq.read_table(path)
    column = pa.array([None, *table["stream"].to_pylist()[1:]], pa.int64())
    at = table.schema.get_field_index("stream")
    pq.write_table(table.set_column(at, table.schema.field("stream"), column), path)
    frame = open_history(place.folder).results("fp-101").to_pandas()
    assert frame["stream"].iloc[0] is pd.NA
    assert frame["stream"].iloc[1] == 2
    assert frame["stream"].dtype == pd.Int64Dtype()


def test_only_chosen_columns_are_read(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither texts nor findings come from the disk for two figures."""
    read: list[Any] = []
    real = pq.ParquetFile.read

    def watched(self: Any, columns: Any = None, **more: Any) -> pa.Table:
        read.append(columns)
        return real(self, columns=columns, **more)

    monkeypatch.setattr(pq.ParquetFile, "read", watched)
    frame = open_history(place.folder).results(columns=["finished_at", "published_c"]).to_pandas()
    assert list(frame.columns) == ["finished_at", "published_c"]
    assert read
    assert all(len(columns) <= 6 for columns in read)
    assert not {"as_read", "findings"} & {name for columns in read for name in columns}


def test_a_file_from_before_a_column_gives_nulls(place: Place) -> None:
    """In each form, with the column's type."""
    for path in place.folder.rglob("results.parquet"):
        table = pq.read_table(path)
        pq.write_table(table.drop_columns(["journal_seq", "checks"]), path)
    query = open_history(place.folder).results(columns=["cycle_number", "journal_seq", "checks"])
    assert query.to_arrow()["journal_seq"].null_count == 68
    assert query.to_pandas()["journal_seq"].dtype == pd.Int64Dtype()
    relation = query.to_duckdb()
    assert relation.aggregate("count(journal_seq), count(checks), count(*)").fetchall() == [
        (0, 0, 68)
    ]
    assert str(relation.types[1]) == "BIGINT"
    assert str(relation.types[2]).startswith("STRUCT")


def test_wrong_questions_are_refused(place: Place) -> None:
    history = open_history(place.folder)
    with pytest.raises(UsageError, match=r"since.*timezone"):
        history.results(since=datetime(2026, 5, 1))  # noqa: DTZ001
    for moment in ("2026-05-01", date(2026, 5, 1), np.datetime64("2026-05-01")):
        with pytest.raises(UsageError, match=r"until.*no datetime"):
            history.results(until=moment)  # type: ignore[arg-type]
    for hold_s in (0.0, -1.0, math.nan, math.inf, 1e300):
        with pytest.raises(UsageError, match="must be above 0"):
            history.results().resample("1h", hold_s=hold_s)
    for every in (timedelta(0), timedelta.max, "0s", "999999999d"):
        with pytest.raises(UsageError, match="must be above 0"):
            history.results().resample(every)
    with pytest.raises(UsageError, match="no width"):
        history.results().resample("99999999999999d")
    with pytest.raises(UsageError, match=r"results has no column flash_c; it has analyzer"):
        history.results(columns=["flash_c"])
    with pytest.raises(UsageError, match=r"no verdict; they are accepted, doubtful, rejected"):
        history.results(verdict="good")
    with pytest.raises(UsageError, match="only results"):
        history.traces().resample("1h")
    with pytest.raises(UsageError, match="every verdict"):
        history.results(verdict="accepted").resample("1h")
    with pytest.raises(UsageError, match=r"30s, 15min"):
        history.results().resample("1 month")
    with pytest.raises(StorageError, match="no history here"):
        open_history(place.folder / "nowhere")


def test_the_first_and_the_last_moment_may_be_asked(place: Place) -> None:
    """As any others; pandas' own times as well, in any zone."""
    history = open_history(place.folder)
    first, last = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
    assert history.results(since=first, until=last).count() == 68
    assert len(history.results(until=last).resample("1d").to_arrow()) > 0
    assert history.results(since=first, until=last).resample("1d").to_arrow().num_rows > 700_000
    in_zone = pd.Timestamp("2026-05-01T02:00", tz="Europe/Berlin")
    wanted = history.results(since=datetime(2026, 5, 1, tzinfo=UTC)).to_arrow()
    assert history.results(since=in_zone).to_arrow().equals(wanted)


def test_widths_of_buckets() -> None:
    assert [width_of(w).total_seconds() for w in ("30s", "15min", "1h", "2 d")] == [
        30, 900, 3600, 172_800
    ]  # fmt: skip
    assert width_of(timedelta(minutes=3)) == timedelta(minutes=3)


def test_resampling_knows_what_stood_before(place: Place) -> None:
    """The same buckets as of all rows, though only a part is asked; the site file's hold."""
    history = open_history(place.site)
    rows = read_results(place.folder, place.journal, "fp-101")
    since, until = START + 9.5 * CYCLE, START + 30 * CYCLE
    hold_s = 600.0
    for given in ({}, {"hold_s": 100.0}, {"doubtful": True}):
        wanted = resample(
            rows, timedelta(minutes=30), since=since, until=until, **{"hold_s": hold_s, **given}
        )
        found = history.results("fp-101", since, until).resample("30min", **given)
        assert found.to_arrow().equals(wanted)
        assert wanted["good_share"].to_pylist()[0] > 0.0
    frame = found.to_pandas()
    assert frame.attrs["units"] == {"mean": "°C", "min": "°C", "max": "°C"}
    assert frame["begin_at"].dtype == pd.DatetimeTZDtype("us", "UTC")
    assert found.to_duckdb().aggregate("sum(count)").fetchall() == [
        (sum(wanted["count"].to_pylist()),)
    ]
    other = history.results("fp-102", since, until).resample("30min", value="peak_kpa").to_arrow()
    assert set(other["mean"].to_pylist()) == {8.0}
    assert other.schema.field("mean").metadata[b"unit"] == b"kPa"


def test_no_value_stands_in_the_future(place: Place) -> None:
    """A result of this minute counts until now only."""
    now = datetime.now(UTC)
    made = sample_result(999, "fp-101", verdict=Verdict.ACCEPTED, finished_at=now)
    assert place.journal.append(made).result(30)
    query = open_history(place.site).results("fp-101", since=now - timedelta(minutes=5))
    buckets = query.resample("1min").to_arrow()
    assert buckets["begin_at"].to_pylist()[-1] <= datetime.now(UTC)


def test_a_site_without_a_journal_is_read_from_its_files(place: Place) -> None:
    place.journal.close()
    place.journal.path.rename(place.journal.path.with_suffix(".away"))
    assert open_history(place.site).results().count() == 68


@pytest.mark.parametrize("library", ["pandas", "duckdb"])
def test_a_missing_library_is_named(
    place: Place, library: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    query = open_history(place.folder).results()
    with pytest.raises(MissingExtraError, match=r"pip install 'edgeflash\[analyst\]'"):
        query.to_pandas() if library == "pandas" else query.to_duckdb()
    assert query.count() == 68


# Other places


def same_everywhere(place: Place, history: Any) -> None:
    """What another place holds is what the folder does, however it is asked."""
    folder = open_history(place.folder)
    chosen: dict[str, Any]
    for chosen in ({}, *SELECTIONS):
        for kind in ("results", "traces"):
            here, there = (getattr(h, kind)(**chosen) for h in (folder, history))
            assert there.to_arrow().equals(here.to_arrow())
            assert there.count() == here.count()
            assert there.sizes() == here.sizes()
    names = ["analyzer", "cycle_number", "published_c"]
    for chosen in SELECTIONS[:4]:
        here, there = (h.results(**chosen).select(*names) for h in (folder, history))
        assert rows_of(there.to_duckdb(), "ALL") == rows_of(here.to_duckdb(), "ALL")
        assert rows_of(history.traces(**chosen).select(*names[:2]).to_duckdb(), "ALL") == rows_of(
            folder.traces(**chosen).select(*names[:2]).to_duckdb(), "ALL"
        )
    assert history.events().to_arrow().equals(folder.events().to_arrow())
    assert history.lab().count() == 1
    assert history.analyzers() == list(NAMES)
    span = {"since": START + 9.5 * CYCLE, "until": START + 20 * CYCLE}
    here, there = (h.results("fp-101", **span).resample("10min") for h in (folder, history))
    assert there.to_arrow().equals(here.to_arrow())


def test_a_file_system_of_ones_own(place: Place) -> None:
    """With the path on it; a damaged file is named."""
    store = pa_fs.SubTreeFileSystem(str(place.folder.parent), pa_fs.LocalFileSystem())
    history = open_history("history/", filesystem=store)
    same_everywhere(place, history)
    damaged = Partition(TableName.RESULTS, "fp-101", "2026-05").path(place.folder)
    damaged.write_bytes(damaged.read_bytes()[:-9])
    with pytest.raises(StorageError, match=r"fp-101.*2026-05"):
        history.results().to_arrow()
