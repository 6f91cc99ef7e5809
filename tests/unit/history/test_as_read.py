"""A cycle comes back from the history as it went in, so that a replay judges the same again."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.files import read_file, write_file
from edgeflash.history.layout import partition_of
from edgeflash.history.samples import pulse_in, trace_in
from edgeflash.history.schema import TableName, rows
from edgeflash.journal import Journal, decode_cycle
from edgeflash.model import Cycle, InputReading, Result
from tests.unit.journal.made import results
from tests.unit.journal.samples import entries_of, sample_pulse, sample_result

LATER = {
    TableName.RESULTS: [
        "as_read",
        "checks",
        "trace_digest",
        "rise_s",
        "decay_s",
        "margin_c",
        "journal_begun_at",
        "journal_seq",
    ],
    TableName.TRACES: ["pulse_interval_s", "pulse_kpa"],
}
"""Columns that the first files of the history did not have."""


def cycles_in(judged: pa.Table, traces: pa.Table) -> list[tuple[Cycle, tuple[InputReading, ...]]]:
    """The cycles of the rows of both tables."""
    place = {
        key: row
        for row, key in enumerate(
            zip(*(traces[name].to_pylist() for name in ("epoch", "cycle_number")), strict=True)
        )
    }
    found = []
    for row in judged.select(["epoch", "cycle_number", "as_read"]).to_pylist():
        at = place.get((row["epoch"], row["cycle_number"]))
        trace = None if at is None else trace_in(traces, at)
        pulse = None if at is None else pulse_in(traces, at)
        found.append(decode_cycle(row["as_read"], trace, pulse))
    return found


def bits(cycle: Cycle) -> list[bytes]:
    """Every sample of a cycle by its bits."""
    trace, pulse = cycle.trace, cycle.pulse
    arrays = [] if trace is None else [trace.time_s, trace.temperature_c, trace.pressure_kpa]
    return [a.tobytes() for a in (*arrays, *([] if pulse is None else [pulse.pressure_kpa]))]


@settings(deadline=None)  # the first Arrow call loads its library
@given(results)
def test_any_cycle_comes_back_from_its_rows(result: Result) -> None:
    """Every field, every input, and every sample by its bits; what is no number too."""
    tables = {table: rows(table, entries_of([result])) for table in LATER}
    [(cycle, inputs)] = cycles_in(tables[TableName.RESULTS], tables[TableName.TRACES])
    assert (result.cycle, result.inputs) == (cycle, inputs)
    assert bits(result.cycle) == bits(cycle)


@settings(deadline=None, max_examples=20)
@given(st.lists(results, min_size=1, max_size=3, unique_by=lambda r: r.cycle.cycle_number))
def test_any_cycle_comes_back_from_the_files(tmp_path_factory: object, many: list[Result]) -> None:
    """The same through Parquet files on disk."""
    folder = tmp_path_factory.mktemp("history")  # type: ignore[attr-defined]
    many = [
        dataclasses.replace(
            r, cycle=dataclasses.replace(r.cycle, analyzer="fp-101", finished_at=many[0].judged_at)
        )
        for r in many
    ]
    read = {}
    for table in LATER:
        partition = partition_of(table, "fp-101", many[0].judged_at)
        made = rows(table, entries_of(many))
        write_file(folder, partition, made.schema, [made])
        read[table] = read_file(folder, partition)
    found = cycles_in(read[TableName.RESULTS], read[TableName.TRACES])
    assert [(r.cycle, r.inputs) for r in many] == found
    assert [bits(r.cycle) for r in many] == [bits(cycle) for cycle, _ in found]


def test_a_pulse_without_a_trace_has_its_row(tmp_path: Path) -> None:
    """And one without either has none; through journal, writer and reader."""
    made = [
        sample_result(1, with_trace=False, pulse=sample_pulse(1)),
        sample_result(2, pulse=sample_pulse(2)),
        sample_result(3),
        sample_result(4, with_trace=False),
    ]
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        assert all(journal.append(r).result(10) for r in made)
        HistoryWriter(journal, tmp_path / "history").flush()
        assert [r.cycle for r in made] == [
            e.result.cycle for e in journal.entries_after(0, len(made))
        ]
    judged, traces = read_results(tmp_path / "history"), read_traces(tmp_path / "history")
    assert traces["cycle_number"].to_pylist() == [1, 2, 3]
    assert traces["source"].to_pylist() == [None, "block", "block"]
    assert [(r.cycle, r.inputs) for r in made] == cycles_in(judged, traces)


def test_files_of_before_are_read_and_go_on(tmp_path: Path) -> None:
    """A file without the later columns has nulls there; new rows come to it whole."""
    folder = tmp_path / "history"
    old, new = sample_result(1), sample_result(2, pulse=sample_pulse(2))
    for table in LATER:
        path = partition_of(table, "fp-101", old.cycle.finished_at).path(folder)
        path.parent.mkdir(parents=True)
        whole = rows(table, entries_of([old]))
        pq.write_table(whole.drop_columns(LATER[table]), path, store_schema=True)
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        assert journal.append(new).result(10)
        for stage in ("in the journal", "in the files"):
            judged, traces = read_results(folder, journal), read_traces(folder, journal)
            assert judged["cycle_number"].to_pylist() == [1, 2], stage
            assert judged["as_read"].is_null().to_pylist() == [True, False]
            assert judged["reported_c"].null_count == 0
            assert traces["pulse_kpa"].is_null().to_pylist() == [True, False]
            assert (trace_in(traces, 0), pulse_in(traces, 0)) == (old.cycle.trace, None)
            assert cycles_in(judged.slice(1), traces) == [(new.cycle, new.inputs)]
            HistoryWriter(journal, folder).flush()
