"""`edgeflash history`: list and export, from a site file and from a folder."""

from __future__ import annotations

import csv
import json
import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from edgeflash.cli.history import history_app
from edgeflash.errors import StorageError, UsageError
from edgeflash.history import HistoryWriter
from edgeflash.journal import Journal
from edgeflash.journal.statements import insert_event
from edgeflash.journal.tables import connect_writer
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus
from tests.unit.fleet.sites import MadeSite
from tests.unit.journal.samples import START, sample_result

SITE = """
[site]
name = "Blend header A"
state_dir = "state"

[opcua]

[[analyzers]]
id = "fp-101"
number = 1
map = "map.toml"
host = "127.0.0.1"
analyzer_corrects_barometer = true
"""

MAP = """
[map]
name = "test bench"
protocol = "modbus"
addressing = "zero_based"

[roles.flash_point]
table = "input"
address = 0
type = "float32"
order = "abcd"
unit = "degC"

[roles.cycle_number]
table = "input"
address = 2
type = "uint16"
"""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Path]:
    """A site whose gateway runs: 30 cycles in the files, 10 in the journal only."""
    (tmp_path / "map.toml").write_text(MAP)
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    with Journal.open(tmp_path / "state" / "journal.sqlite3") as journal:
        assert all(d.result(10) for d in [journal.append(sample_result(n)) for n in range(30)])
        HistoryWriter(journal, tmp_path / "state" / "history").flush()
        assert all(d.result(10) for d in [journal.append(sample_result(n)) for n in range(30, 40)])
        yield path


def run(*words: str | Path) -> str:
    result = CliRunner().invoke(
        history_app, [str(w) for w in words], catch_exceptions=False, env={"COLUMNS": "80"}
    )
    assert result.exit_code == 0, result.output
    return result.stdout


def test_list_for_people(site: Path) -> None:
    """One row for each analyzer, with times in UTC and the unit of the values, in 80 columns."""
    lines = run("list", site).splitlines()
    assert max(map(len, lines)) <= 80
    said = [" ".join(line.split()) for line in lines]
    assert said[0] == "analyzer cycles accepted doubtful rejected accepted °C"
    assert said[1] == "fp-101 40 20 10 10 62.5 to 63.1"
    assert said[3] == "table analyzer first, last (UTC) rows kB days missing"
    kilobytes = round(sum(size_of(site, "results")) / 1000)
    assert said[4] == f"results fp-101 2026-04-30 22:00:00 40 {kilobytes} 0"
    assert said[5] == "2026-05-01 00:36:00"
    assert said[6].startswith("traces fp-101 2026-04-30 22:00:00 40 ")


def test_list_for_machines(site: Path) -> None:
    """The same in JSON, with the journal's rows; from the folder alone without them."""
    results, traces = json.loads(run("list", site, "--json"))
    assert (results["rows"], results["last"]) == (40, "2026-05-01T00:36:00+00:00")
    assert (results["accepted"], results["doubtful"], results["rejected"]) == (20, 10, 10)
    assert (traces["table"], traces["rows"]) == ("traces", 40)
    for found in (results, traces):
        assert found["bytes"] == sum(size_of(site, found["table"]))
        assert (found["days_missing"], found["missing"]) == (0, [])
    folder = site.parent / "state" / "history"
    assert [f["rows"] for f in json.loads(run("list", "--folder", folder, "--json"))] == [30, 30]
    (only,) = json.loads(run("list", site, "--json", "--table", "traces"))
    assert only == traces
    assert json.loads(run("list", site, "--json", "--since", "2026-06-01")) == []
    assert "nothing is there" in run("list", site, "--since", "2026-06-01")


def size_of(site: Path, table: str) -> list[int]:
    """Bytes of the files of a table."""
    files = (site.parent / "state" / "history" / table).rglob("*.parquet")
    return [file.stat().st_size for file in files]


def test_every_table_and_the_days_that_are_missing(tmp_path: Path) -> None:
    """Also events about no analyzer, laboratory results, and gaps over the ends of months; checked
    against what DuckDB finds in the files."""
    days = (0, 1, 4, 5, 9, 11, 40)
    made = MadeSite(tmp_path, "Windmill Quay")
    made.add(
        [sample_result(n, finished_at=START + timedelta(days=day)) for n, day in enumerate(days)],
        [EventEntry(START + timedelta(days=3 * n), EventKind.CLOCK_MOVED) for n in range(3)],
        [
            LabResult("fp-101", f"e-{n}", f"Q-{n}", START, 62.5, LabStatus.FINAL, START)
            for n in range(4)
        ],
    )
    listed = json.loads(run("list", "--folder", made.history, "--json"))
    found = {(one["table"], one["analyzer"]): one for one in listed}
    assert set(found) == {
        ("results", "fp-101"),
        ("traces", "fp-101"),
        ("events", ""),
        ("lab", "fp-101"),
    }
    first = START.date()
    spans = [(2, 3), (6, 8), (10, 10), (12, 39)]
    missing = [[str(first + timedelta(days=d)) for d in span] for span in spans]
    for table in ("results", "traces"):
        assert found[table, "fp-101"]["missing"] == missing
        assert found[table, "fp-101"]["days_missing"] == 2 + 3 + 1 + 28
    assert found["events", ""]["days_missing"] == 4
    for (table, analyzer), one in found.items():
        time = {"events": "at", "lab": "sampled_at"}.get(table, "finished_at")
        files = f"{made.history}/{table}/**/*.parquet"
        with duckdb.connect() as connection:
            (row,) = connection.sql(
                f'SELECT count(*), epoch_us(min("{time}")), epoch_us(max("{time}")) '
                f"FROM '{files}' "
                f"WHERE coalesce(analyzer, '') = '{analyzer}'"
            ).fetchall()
        times = (datetime.fromisoformat(one[name]) for name in ("first", "last"))
        assert row == (one["rows"], *(int(t.timestamp() * 1_000_000) for t in times))
    said = run("list", "--folder", made.history)
    assert "events (the gateway): no rows on" in said
    assert f"traces fp-101: no rows on {missing[0][0]} to {missing[0][1]}, " in said


def test_a_mistyped_analyzer_is_wrong_use(site: Path, tmp_path: Path) -> None:
    """It must not look like an analyzer without cycles."""
    for words in (("list", site), ("export", site, tmp_path / "out.csv")):
        with pytest.raises(UsageError, match="no cycle of 'fp-999'; there are: fp-101"):
            invoke(*words, "--analyzer", "fp-999")


def test_export_csv(site: Path, tmp_path: Path) -> None:
    """A span of time: from since to before until, read as UTC when no zone is given."""
    output = tmp_path / "out.csv"
    options = ("--since", "2026-04-30T23:00", "--until", "2026-05-01T02:00+02:00")
    assert "15 rows" in run("export", site, output, *options)
    with output.open(encoding="utf-8", newline="") as file:
        found = [int(row["cycle_number"]) for row in csv.DictReader(file)]
    assert found == list(range(15, 30))


def test_export_traces_of_rejected_cycles(site: Path, tmp_path: Path) -> None:
    """The form is that of the suffix, or the one asked for."""
    for output, more in (("out.parquet", ()), ("traces.dat", ("--format", "parquet"))):
        path = tmp_path / output
        run("export", site, path, "--table", "traces", "--verdict", "rejected", *more)
        found = pq.read_table(path)
        assert found["cycle_number"].to_pylist() == [n for n in range(40) if n % 4 == 3]
        assert "pressure_kpa" in found.column_names


def invoke(*words: str | Path) -> object:
    return CliRunner().invoke(history_app, [str(w) for w in words], catch_exceptions=False)


@pytest.mark.parametrize(
    "words",
    [
        ("list",),
        ("export", "out.csv"),
        ("export", "a.toml", "b.toml", "out.csv"),
        ("list", "--folder", "somewhere", "site.toml"),
        ("list", "--folder", ".", "--since", "yesterday"),
    ],
)
def test_wrong_use_says_what_is_right(words: tuple[str, ...]) -> None:
    """UsageError, which the command line turns into exit code 2."""
    with pytest.raises(UsageError):
        invoke(*words)


def test_a_wrong_folder_is_named(tmp_path: Path) -> None:
    """Not an empty list: there is nothing to list."""
    with pytest.raises(StorageError, match="nowhere"):
        invoke("list", "--folder", tmp_path / "nowhere")


def test_other_commands_do_not_load_arrow() -> None:
    """Arrow takes a third of a second; only reading the history may cost it."""
    code = "import sys, edgeflash.cli.history; sys.exit('pyarrow' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_list_and_export_of_other_tables(site: Path, tmp_path: Path) -> None:
    """Events have no verdict; without rows the file has its columns."""
    output = tmp_path / "lab.parquet"
    assert "0 rows" in run("export", site, output, "--table", "lab")
    assert "value_c" in pq.read_table(output).column_names
    with pytest.raises(UsageError, match="events have no verdict"):
        invoke("export", site, tmp_path / "e.csv", "--table", "events", "--verdict", "rejected")
    with pytest.raises(UsageError, match="no row in events of 'fp-101'; it is empty"):
        invoke("export", site, tmp_path / "e.csv", "--table", "events", "--analyzer", "fp-101")


@pytest.mark.parametrize("suffix", [".png", ".html"])
def test_plot_draws_each_figure(site: Path, tmp_path: Path, suffix: str) -> None:
    """And says what it drew; the trend has the rows of the journal too."""
    output = tmp_path / f"figure{suffix}"
    said = run("plot", site, output, "--analyzer", "fp-101")
    assert "trend" in said
    assert "40 cycles" in said
    begins = b"\x89PNG" if suffix == ".png" else b"<!DOCTYPE html>"
    assert output.read_bytes().startswith(begins)
    said = run("plot", site, output, "--figure", "availability", "--until", "2026-05-01")
    assert "2026-04-30 to 2026-04-30" in said
    assert "900 s" in said
    options = ("--figure", "trace", "--analyzer", "fp-101", "--cycle", "0/38")
    assert "2026-05-01 00:32:00 UTC; The peak is 1.2 kPa." in run("plot", site, output, *options)
    if suffix == ".html":
        assert "fp-101/0/38: doubtful, 62.80" in output.read_text("utf-8")


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (("a.pdf", "--analyzer", "fp-101"), r"\.png or a \.html"),
        (("a.png",), "give --analyzer"),
        (("a.png", "--analyzer", "fp-101", "--cycle", "3"), "--figure trace"),
        (("a.png", "--analyzer", "fp-101", "--figure", "trace"), "needs it"),
        (("a.png", "--analyzer", "fp-101", "--figure", "trace", "--cycle", "77"), "nearest are"),
        (("a.png", "--analyzer", "fp-101", "--since", "2030-01-01"), "nothing to draw"),
        (("a.png", "--analyzer", "fp-9"), "there are: fp-101"),
    ],
)
def test_what_cannot_be_drawn(site: Path, words: tuple[str, ...], match: str) -> None:
    output, *options = words
    with pytest.raises(UsageError, match=match):
        invoke("plot", site, site.parent / output, *options)
    assert not (site.parent / output).exists()


def test_no_bar_where_nobody_looks(site: Path, tmp_path: Path) -> None:
    """Standard error of a command in a pipe is for errors."""
    command = ["-m", "edgeflash", "history", "export", str(site), str(tmp_path / "out.csv")]
    done = subprocess.run([sys.executable, *command], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert done.stdout.endswith("out.csv: 40 rows\n")


def test_a_bar_on_a_terminal(site: Path, tmp_path: Path) -> None:
    """On standard error, so that what is printed can still be piped."""
    ours, theirs = pty.openpty()
    words = ["-m", "edgeflash", "history", "export", str(site), str(tmp_path / "out.csv")]
    environment = {**os.environ, "TERM": "xterm"}
    seen = b""
    with subprocess.Popen(
        [sys.executable, *words], stdout=subprocess.PIPE, stderr=theirs, text=True, env=environment
    ) as command:
        os.close(theirs)
        try:
            while part := os.read(ours, 4096):
                seen += part
        except OSError:
            pass  # how Linux tells that the other end is closed
        finally:
            os.close(ours)
        printed, _ = command.communicate()
    assert b"Exporting results" in seen
    assert printed.endswith("out.csv: 40 rows\n")


def test_events_are_exported_with_those_only_in_the_journal(site: Path, tmp_path: Path) -> None:
    """As results are; a verdict they do not have is refused, not passed over."""
    state, output = site.parent / "state", tmp_path / "events.csv"
    events = [EventEntry(START, EventKind.COMMENT, "fp-101", text="one; two")]
    events.append(EventEntry(START, EventKind.LOGIN_FAILED, who="ole"))
    with closing(connect_writer(state / "journal.sqlite3")) as journal:
        for event in events:
            insert_event(journal, event)
        if journal.in_transaction:
            journal.commit()
    assert run("export", site, output, "--table", "events") == f"{output}: 2 rows\n"
    with output.open(encoding="utf-8") as file:
        found = sorted((row["analyzer"], row["kind"], row["text"]) for row in csv.DictReader(file))
    assert found == [("", "login_failed", ""), ("fp-101", "comment", "one; two")]
    lab = tmp_path / "lab.parquet"
    assert run("export", site, lab, "--table", "lab") == f"{lab}: 0 rows\n"
    with pytest.raises(UsageError, match="events have no verdict"):
        run("export", site, output, "--table", "events", "--verdict", "rejected")
