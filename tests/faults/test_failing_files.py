"""Writes, syncs and renames of a flush, a retention pass, a repair and a backup fail in turn.

Whatever fails: readers see each file as it was before or as it is after, nothing torn, doubled or
lost, and the next run completes. Of each kind the first and the last fail; with
`EDGEFLASH_FAULTS=all` every one, with either error (some thousand runs).
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from edgeflash.errors import StorageError
from edgeflash.history import HistoryWriter, read_results, read_traces
from edgeflash.history.backup import back_up
from edgeflash.history.manifest import load_manifest
from edgeflash.history.repair import repair
from edgeflash.history.restore import restore
from edgeflash.history.retention import Limits
from edgeflash.history.schema import TableName
from edgeflash.history.verify import verify
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.faults.failing_files import ERRORS, Failing, copied
from tests.unit.journal.samples import sample_result

NOW = datetime(2026, 5, 2, 1, tzinfo=UTC)
APRIL_30 = "traces/an=fp-101/day=2026-04-30/traces.parquet"
MAY = "results/an=fp-101/month=2026-05/results.parquet"
MAY_1 = "traces/an=fp-101/day=2026-05-01/traces.parquet"

Keys = list[tuple[str, int]]
Act = Callable[[Path, Journal, HistoryWriter], object]


def prepared(state: Path) -> None:
    """Ten results in files, on both sides of midnight, and five that wait: into a file that is
    there, and into new ones."""
    with Journal.open(state / JOURNAL_NAME) as journal:
        for number in range(25, 35):
            assert journal.append(sample_result(number)).result(30)
        HistoryWriter(journal, state / "history").flush()
        for number in range(35, 38):
            assert journal.append(sample_result(number)).result(30)
        for number in range(38, 40):
            assert journal.append(sample_result(number, "fp-102")).result(30)


def spoiled(state: Path) -> None:
    """One file that cannot be read, one with rows of its own, one gone."""
    prepared(state)
    history = state / "history"
    (history / MAY_1).write_bytes((history / MAY_1).read_bytes()[:-50])
    table = pq.ParquetFile(history / MAY).read()
    pq.write_table(table.slice(1), history / MAY)
    (history / APRIL_30).unlink()


def flush(state: Path, journal: Journal, writer: HistoryWriter) -> None:
    """What waits comes to the files."""
    writer.flush()


def retention(state: Path, journal: Journal, writer: HistoryWriter) -> None:
    """The traces of April go."""
    writer.delete_old({TableName.TRACES: Limits(keep_days=1.0)}, NOW, {})


def mend(state: Path, journal: Journal, writer: HistoryWriter) -> None:
    """All that is spoiled is mended."""
    assert repair(state / "history", journal, writer).left == ()


def backup(state: Path, journal: Journal, writer: HistoryWriter) -> None:
    """One more backup."""
    made = len(list((state / "backups").glob("[0-9]*Z")))
    back_up(state / "history", journal, state / "backups", NOW + timedelta(hours=made))


def contents(history: Path) -> dict[str, Keys]:
    """Each file that any reader would find, with its rows."""
    found = {}
    for table in ("results", "traces"):
        for path in sorted((history / table).rglob("*")):
            if path.is_file():
                rows = pq.ParquetFile(path).read(["analyzer", "cycle_number"])
                columns = (rows[name].to_pylist() for name in ("analyzer", "cycle_number"))
                found[str(path.relative_to(history))] = list(zip(*columns, strict=True))
    return found


def with_journal(history: Path, journal: Journal) -> list[Keys]:
    """What our own readers say, files and journal together."""
    return [
        list(zip(t["analyzer"].to_pylist(), t["cycle_number"].to_pylist(), strict=True))
        for t in (read_results(history, journal), read_traces(history, journal))
    ]


ALL: Keys = [("fp-101", n) for n in range(25, 38)] + [("fp-102", n) for n in (38, 39)]

Check = Callable[[dict[str, Keys], dict[str, Keys], dict[str, Keys]], None]


def before_or_after(seen: dict[str, Keys], before: dict[str, Keys], after: dict[str, Keys]) -> None:
    """Each file is as it was or as it is to be, if it is there at all."""
    for name in before.keys() | after.keys() | seen.keys():
        assert seen.get(name) in (before.get(name), after.get(name)), name


@pytest.mark.parametrize(
    ("act", "prepare"),
    [(flush, prepared), (retention, prepared), (mend, spoiled), (backup, prepared)],
    ids=lambda a: a.__name__,
)
def test_each_operation_on_files_fails_in_turn(
    act: Act, prepare: Callable[[Path], None], tmp_path: Path
) -> None:
    """All points of failure, one after the other, each on a fresh copy."""
    template, state = tmp_path / "template", tmp_path / "state"
    prepare(template)
    is_mend = prepare is spoiled
    before = {} if is_mend else contents(template / "history")
    counting = Failing(state)
    copied(template, state)
    with opened(state) as (journal, writer), counting.in_force():
        act(state, journal, writer)
    after = contents(state / "history")
    if is_mend:
        prepared(tmp_path / "sound")
        assert after == contents(tmp_path / "sound" / "history")
    covered: Counter[str] = Counter()
    raised = 0
    for kind, error, at in points(counting.counts):
        copied(template, state)
        failing = Failing(state, kind, at, error)
        with opened(state) as (journal, writer):
            with failing.in_force():
                try:
                    act(state, journal, writer)
                except StorageError as refusal:
                    raised += 1
                    assert str(state) in str(refusal)
            assert failing.has_failed, (kind, at)
            covered[kind] += 1
            if is_mend:
                assert all(
                    rows in (after.get(name), after[name][1:])
                    for name, rows in readable(state / "history").items()
                )
            else:
                before_or_after(contents(state / "history"), before, after)
                results, traces = with_journal(state / "history", journal)
                assert results == ALL
                assert traces in (ALL, ALL[5:]) if act is retention else traces == ALL
            # The same process goes on, as a gateway does.
            act(state, journal, writer)
            assert contents(state / "history") == after, (kind, at)
            writer.flush()
            assert verify(state / "history", journal).findings == (), (kind, at)
        if act is backup:
            check_backups(state, tmp_path / "restored")
    print(f"{act.__name__}: {sum(covered.values())} points of failure, {dict(covered)}")
    assert raised > 0
    wanted = {"open", "write", "fsync", "sync_folder", "rename"} | WANTED.get(act, set())
    assert wanted <= covered.keys()
    assert set(covered) == set(counting.counts)


WANTED: dict[Act, set[str]] = {
    flush: {"mkdir", "unlink"},
    retention: {"unlink", "mkdir"},
    mend: {"link"},
    backup: {"mkdir"},
}
"""Kinds beside those that everything does."""


def points(counts: Counter[str]) -> Iterator[tuple[str, int, int]]:
    """Kind, error and number of each operation that is to fail."""
    if os.environ.get("EDGEFLASH_FAULTS") == "all":
        for kind, count in sorted(counts.items()):
            for at in range(1, count + 1):
                yield from ((kind, error, at) for error in ERRORS)
        return
    for number, (kind, count) in enumerate(sorted(counts.items())):
        for turn, at in enumerate(sorted({1, count}), start=number):
            yield kind, ERRORS[turn % len(ERRORS)], at


class opened:  # noqa: N801  # reads as a verb
    """The journal of a state folder and its writer."""

    def __init__(self, state: Path) -> None:
        self._state = state

    def __enter__(self) -> tuple[Journal, HistoryWriter]:
        self._journal = Journal.open(self._state / JOURNAL_NAME)
        return self._journal, HistoryWriter(self._journal, self._state / "history")

    def __exit__(self, *failure: object) -> None:
        self._journal.close()


def readable(history: Path) -> dict[str, Keys]:
    """The files of a spoiled history that can be read."""
    spoiled_file = history / MAY_1
    data = spoiled_file.read_bytes() if spoiled_file.exists() else b""
    if data and not data.endswith(b"PAR1"):
        spoiled_file.unlink()
        try:
            return contents(history)
        finally:
            spoiled_file.write_bytes(data)
    return contents(history)


def check_backups(state: Path, restored: Path) -> None:
    """Every folder that has the name of a backup is one, whole."""
    backups = [p for p in (state / "backups").iterdir() if not p.name.startswith(".")]
    assert backups
    assert all(load_manifest(p).files for p in backups)
    newest = max(backups)
    shutil.rmtree(restored, ignore_errors=True)
    assert restore(newest, restored, restored / "history").found.findings == ()
