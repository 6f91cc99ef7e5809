"""Cycles of simulated analyzers, judged, recorded, and judged again from the history.

The reference is the live judging itself: what the gateway's core said when the cycle ended.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from edgeflash.config.site import Site
from edgeflash.errors import StorageError
from edgeflash.gateway.site import checked_site
from edgeflash.history import HistoryWriter, Limits, TableName, read_results
from edgeflash.history.deleting import delete_old
from edgeflash.history.schema import NEVER_NULL
from edgeflash.journal import Journal
from edgeflash.model import Result, Verdict
from edgeflash.replay.cases import Recordings, open_recordings
from edgeflash.replay.explain import explained
from edgeflash.replay.judge_again import Again, judged_again, runs
from edgeflash.replay.report import Report, RuleTurn, Turn
from simulators.analyzer import SimulatedAnalyzer
from simulators.faults import FaultKind
from tests.unit.replay.runs import faults_in_turn, recorded_site, write_site

pytestmark = pytest.mark.slow

ANALYZERS = ("kestrel-1", "kestrel-2")
EVERY = 3
KINDS = tuple(FaultKind)
CYCLES = max(4 + EVERY * len(KINDS), 180)


@dataclass(frozen=True)
class Recording:
    """A site with recorded cycles, and the results as they were judged live."""

    folder: Path
    site: Site
    results: list[Result]

    def of(self, analyzer: str) -> list[Result]:
        """The live results of one analyzer."""
        return [r for r in self.results if r.cycle.analyzer == analyzer]

    def again(
        self, site: Site | None = None, *, jobs: int = 1, since: object = None
    ) -> list[Again]:
        """Every recorded cycle judged again."""
        recordings = open_recordings(self.site)
        chosen = runs(recordings, ANALYZERS, since, None)  # type: ignore[arg-type]
        return list(judged_again(recordings, site or self.site, chosen, jobs))

    def tuned(self, tuning: str) -> Site:
        """The same site with its analyzers tuned."""
        path = write_site(self.folder, ANALYZERS, tuning, "tuned.toml")
        return checked_site(path)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Two analyzers, the first with every kind of fault there is, both started anew in between."""
    folder = tmp_path_factory.mktemp("site")
    faults = faults_in_turn(KINDS, 4, EVERY)
    plans = [
        ("kestrel-1", SimulatedAnalyzer(seed=1, faults=faults), CYCLES),
        ("kestrel-2", SimulatedAnalyzer("kestrel-2", seed=2), 30),
    ]
    site, results = recorded_site(folder, plans, restart_every=37)
    return Recording(folder, site, results)


def test_the_live_configuration_gives_the_live_results(recording: Recording) -> None:
    """Whole results, to the last bit: trace, figures, findings, verdict, alarm."""
    again = recording.again()
    assert len(again) == len(recording.results) >= 200
    assert [a.why_not for a in again if a.result is None] == []
    assert [a.result for a in again] == recording.results
    reasons = {reason for r in recording.results for reason in r.reasons}
    assert len(reasons) >= 20
    assert any(r.low_flash_alarm for r in recording.results)


def test_other_processes_give_the_same(recording: Recording) -> None:
    """Parallel and serial judging agree in every result and in their order."""
    assert recording.again(jobs=2) == recording.again(jobs=1)


@pytest.mark.parametrize("share", (0.1, 0.5, 0.9))
def test_a_replay_from_the_middle_remembers_what_was_before(
    recording: Recording, share: float
) -> None:
    """The memory at `since` comes from the recorded results, so the rest comes out as it was."""
    own = recording.of("kestrel-1")
    since = own[int(share * len(own))].cycle.finished_at
    expected = [r for r in recording.results if r.cycle.finished_at >= since]
    assert [a.result for a in recording.again(since=since)] == expected


def test_a_clock_that_was_set_back_changes_nothing(recording: Recording, tmp_path: Path) -> None:
    """The same cycles, judged while the wall clock was set back by an hour and more, twice."""
    hours = (0.0, 1.1, 3.7)
    set_back = [
        replace(r, judged_at=r.judged_at - timedelta(hours=hours[3 * n // CYCLES]))
        for n, r in enumerate(recording.of("kestrel-1"))
    ]
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        assert all(journal.append(r).result(10) for r in set_back)
        HistoryWriter(journal, tmp_path / "history").flush()
    again = judged_from(tmp_path / "history", recording.site)
    assert [a.result for a in again] == set_back


def test_a_changed_limit_changes_just_the_cycles_beyond_it(recording: Recording) -> None:
    """Of the accepted cycles just those are doubted that took longer than the new limit."""
    timed = sorted(
        r.cycle.duration_s
        for r in recording.results
        if r.verdict is Verdict.ACCEPTED and r.cycle.duration_s is not None
    )
    limit_s = timed[int(0.9 * len(timed))]
    site = recording.tuned(
        f"[analyzers.rules.cycle_too_long]\nparameters = {{ longest_s = {limit_s} }}\n"
    )
    report = Report()
    for again in recording.again(site):
        report.add(again)
    longer = {
        r.id
        for r in recording.results
        if r.cycle.duration_s is not None
        and r.cycle.duration_s > limit_s
        and r.verdict is Verdict.ACCEPTED
    }
    assert len(longer) >= 5
    newly = {c.id for c in report.changes if ("cycle_too_long", RuleTurn.SPEAKS) in c.rules}
    assert newly == longer
    assert {c.turn for c in report.changes if c.id in longer} == {Turn.WORSE}
    assert {c.turn for c in report.changes if c.id not in longer} <= {Turn.OTHER}


def test_a_silenced_danger_is_told(recording: Recording) -> None:
    """With a minimum far below the product's, low flash points would no longer be told."""
    text = recording.site.path.read_text().replace("minimum_c = 55.0", "minimum_c = 10.0")
    path = recording.folder / "lax.toml"
    path.write_text(text.replace('host = "127', 'range_low_c = 0.0\nhost = "127'))
    report = Report()
    for again in recording.again(checked_site(path)):
        report.add(again)
    assert report.silenced
    before = {r.id: r for r in recording.results}
    for change in report.silenced:
        assert before[change.id].low_flash or before[change.id].low_flash_alarm
        assert not change.after.low_flash_alarm


def digests(folder: Path) -> dict[str, str]:
    """Every file below the folder by its content.

    Left out is what the database library itself keeps for any reader (its shared memory, and a
    write-ahead file that stays empty).
    """
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        if path.name.endswith("-shm") or (path.name.endswith("-wal") and not path.stat().st_size):
            continue
        found[str(path.relative_to(folder))] = sha256(path.read_bytes()).hexdigest()
    return found


def command(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "edgeflash", *map(str, words)],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
        env={"PATH": "/usr/bin:/bin", "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
    )


def test_the_command_writes_nothing_and_says_that_nothing_changes(recording: Recording) -> None:
    """Exit code 0, and not a byte of journal or history is another."""
    before = digests(recording.site.state_dir)
    done = command("replay", recording.site.path, "--since", "2020-01-01", "--jobs", "2")
    assert (done.returncode, done.stderr) == (0, "")
    assert "nothing changes" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert "\x1b" not in done.stdout
    assert digests(recording.site.state_dir) == before


def test_the_command_shows_a_change_and_writes_it(recording: Recording, tmp_path: Path) -> None:
    """Exit code 1; the CSV (RFC 4180) has each changed cycle, the JSON too."""
    tuned = recording.tuned("[analyzers.rules.ramp_rate]\nenabled = false\nbecause = 'a trial'\n")
    table = tmp_path / "changes.csv"
    done = command("replay", tuned.path, "--since", "2020-01-01", "--csv", table)
    assert done.returncode == 1
    assert "falls silent" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    said = json.loads(command("replay", tuned.path, "--since", "2020-01-01", "--json").stdout)
    with table.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == [change["id"] for change in said["changes"]]
    assert {row["rules"] for row in rows} >= {"ramp_rate falls silent"}
    assert said["is_unchanged"] is False


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--since", "yesterday"), "is not a time"),
        (("--since", "2020-01-01", "--analyzer", "heron-9"), "there are: kestrel-1, kestrel-2"),
        (("--since", "2030-01-01"), "no recorded cycle"),
    ],
)
def test_wrong_use_is_said_in_one_sentence(
    recording: Recording, words: tuple[str, ...], said: str
) -> None:
    """Exit code 2, no traceback."""
    done = command("replay", recording.site.path, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture
def copied(recording: Recording, tmp_path: Path) -> Iterator[Path]:
    """A copy of the first analyzer's history files, to be damaged."""
    target = tmp_path / "history"
    source = recording.site.history_dir
    for path in source.rglob("*.parquet"):
        if "kestrel-1" in str(path):
            copy = target / path.relative_to(source)
            copy.parent.mkdir(parents=True)
            copy.write_bytes(path.read_bytes())
    yield target


def rewritten(folder: Path, table: str, column: str, number: int, value: object) -> None:
    """Puts a value into one row's column of the table's first file."""
    path = min(folder.glob(f"{table}/*/*/*.parquet"))
    rows = pq.read_table(path)
    values = rows[column].to_pylist()
    values[number] = value
    at = rows.schema.get_field_index(column)
    changed = rows.set_column(
        at, rows.schema.field(at), pa.array(values, rows.schema.field(at).type)
    )
    pq.write_table(changed, path)


def judged_from(folder: Path, site: Site) -> list[Again]:
    recordings = Recordings(folder, None)
    return list(judged_again(recordings, site, runs(recordings, ["kestrel-1"], None, None), 1))


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("{not JSON", "damaged"),
        ('{"format":1}', "damaged"),
        ('{"format":99}', "newer"),
        ("[" * 100_000, "damaged"),
        ('{"format":1,"more":' + "[" * 100_000 + "]" * 100_000 + "}", "damaged"),
        (None, "older edgeflash"),
    ],
)
def test_a_row_that_cannot_be_judged_again_is_named(
    recording: Recording, copied: Path, value: str | None, said: str
) -> None:
    """It is counted with its reason; the cycles around it are judged."""
    rewritten(copied, "results", "as_read", 20, value)
    again = judged_from(copied, recording.site)
    left = [(n, a) for n, a in enumerate(again) if a.result is None]
    assert [n for n, _ in left] == [20]
    assert said in left[0][1].why_not
    report = Report()
    for one in again:
        report.add(one)
    assert [(n.count, n.first) for n in report.not_judged] == [(1, again[20].recorded.id)]
    assert not report.is_unchanged


@pytest.mark.parametrize("column", NEVER_NULL)
def test_a_row_without_what_every_row_has_is_named(
    recording: Recording, copied: Path, column: str
) -> None:
    """The file, the row and the column in one sentence of ours, whoever looks."""
    rewritten(copied, "results", column, 20, None)
    said = rf"results\.parquet: row 21 is damaged: it has no {column}"
    with pytest.raises(StorageError, match=said):
        judged_from(copied, recording.site)
    with pytest.raises(StorageError, match=said):
        explained(Recordings(copied, None), recording.site, "kestrel-1", "50", None)
    with pytest.raises(StorageError, match=said):
        read_results(copied)


@pytest.mark.parametrize("path", [("finished_at",), ("previous", "finished_at")])
def test_a_reading_without_its_time_is_named(
    recording: Recording, copied: Path, path: tuple[str, ...]
) -> None:
    """Left out and counted by a replay, shown without its reading by `why`."""
    (file,) = copied.glob("results/*/*/*.parquet")
    row = pq.read_table(file, partitioning=None).slice(20, 1).to_pylist()[0]
    whole = json.loads(row["as_read"])
    at = whole["cycle"]
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = None
    rewritten(copied, "results", "as_read", 20, json.dumps(whole))
    (left,) = [a for a in judged_from(copied, recording.site) if a.result is None]
    assert "finished_at cannot be None" in left.why_not
    name = left.recorded.id
    told = explained(Recordings(copied, None), recording.site, "kestrel-1", name, None)
    assert "finished_at cannot be None" in told.not_kept
    following = f"{row['epoch']}/{row['cycle_number'] + 1}"
    explained(Recordings(copied, None), recording.site, "kestrel-1", following, None)


def test_a_lost_trace_is_no_cycle_without_a_trace(recording: Recording, copied: Path) -> None:
    """Judged without it the cycle would be another one, so it is not judged, and named."""
    path = min(copied.glob("traces/*/*/*.parquet"))
    rows = pq.read_table(path)
    lost = rows["cycle_number"][5].as_py(), rows["epoch"][5].as_py()
    is_it = pc.and_(pc.equal(rows["cycle_number"], lost[0]), pc.equal(rows["epoch"], lost[1]))
    pq.write_table(rows.filter(pc.invert(is_it)), path)
    left = [a for a in judged_from(copied, recording.site) if a.result is None]
    assert [a.recorded.key for a in left] == [(lost[1], lost[0])]
    assert "do not belong together" in left[0].why_not


def test_traces_that_were_kept_long_enough_are_said_to_be_gone(
    recording: Recording, copied: Path
) -> None:
    """The site keeps results longer: its cycles are not judged again, and no row is damaged."""
    last = max(r.cycle.finished_at for r in recording.results)
    limits = {TableName.TRACES: Limits(keep_days=1)}
    assert delete_old(copied, limits, last + timedelta(days=2), {}).files > 0
    again = judged_from(copied, recording.site)
    left = [a for a in again if a.result is None]
    assert len(left) > 100
    assert {a.why_not for a in left} == {
        "its trace has been deleted: the site keeps results longer than traces"
    }
    name = left[0].recorded.id
    told = explained(Recordings(copied, None), recording.site, "kestrel-1", name, None)
    assert "its trace has been deleted" in told.not_kept


def test_a_damaged_file_of_traces_is_named(recording: Recording, copied: Path) -> None:
    """Every cycle of that day is left out, and the file is said."""
    path = min(copied.glob("traces/*/*/*.parquet"))
    path.write_bytes(path.read_bytes()[:-200])
    again = judged_from(copied, recording.site)
    assert all(str(path) in a.why_not for a in again if a.result is None)
    assert any(a.result is None for a in again)


def test_the_history_has_what_was_judged(recording: Recording) -> None:
    """The fixture is what it says: most cycles in the files, the last ones in the journal only."""
    rows = read_results(recording.site.history_dir)
    assert 0 < len(recording.results) - len(rows) <= 12
