"""Reads the history without pause while it is written, and stops at the first thing that is wrong.

    python -m tests.faults.crash.looking FOLDER [TABLE=KEEP_DAYS ...]

Each reader keeps what it has seen: no key twice, no value that changes, nothing gone that was there
but what was kept long enough after the end of its month or day, and nothing of that back again.
Says at its end, which comes with the end of its input, how often each has looked; or what was
wrong.
"""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.dataset as ds

from edgeflash.history import read_results, read_traces
from edgeflash.history.schema import TableName
from edgeflash.journal import JOURNAL_NAME, Journal

Key = tuple[str, int, int]
Seen = dict[Key, tuple[datetime, object]]
COLUMNS = ("analyzer", "epoch", "cycle_number", "finished_at")
VALUE = {"results": "reported_c", "traces": "time_s"}
TRIES = 20
PAUSE_S = 0.3


def _rows(table: pa.Table, name: str) -> list[tuple[object, ...]]:
    value = table[VALUE[name]].to_pylist()
    lengths = [len(v) if isinstance(v, list) else v for v in value]
    return list(zip(*(table[c].to_pylist() for c in COLUMNS), lengths, strict=True))


def by_pyarrow(folder: Path, name: str) -> list[tuple[object, ...]]:
    """The Parquet files as a dataset."""
    files = ds.dataset(folder / "history" / name, partitioning="hive")
    return _rows(files.to_table(columns=[*COLUMNS, VALUE[name]]), name)


def by_duckdb(folder: Path, name: str) -> list[tuple[object, ...]]:
    """The Parquet files in SQL."""
    value = VALUE[name] if name == "results" else f"len({VALUE[name]})"
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as duck:
        duck.execute("SET TimeZone = 'UTC'")
        return duck.execute(
            f"SELECT {', '.join(COLUMNS)}, {value} FROM '{folder}/history/{name}/**/*.parquet'"
        ).fetchall()


def by_ours(folder: Path, name: str) -> list[tuple[object, ...]]:
    """Our own reader, with the rows that are still in the journal."""
    read = {"results": read_results, "traces": read_traces}[name]
    with Journal.open_readonly(folder / JOURNAL_NAME) as journal:
        return _rows(read(folder / "history", journal), name)


Read = Callable[[Path, str], list[tuple[object, ...]]]

# A reader that looks at a file by its name more than once raises an error when it is replaced or
# deleted in between; reading again helps.
READERS: Mapping[str, tuple[Read, tuple[type[Exception], ...]]] = {
    "pyarrow": (by_pyarrow, (FileNotFoundError,)),
    "duckdb": (by_duckdb, (duckdb.Error,)),
    "ours": (by_ours, ()),
}


def end_of_period(name: str, at: datetime) -> datetime:
    """When the day of a trace, or the month of any other row, is over."""
    day = datetime(at.year, at.month, at.day, tzinfo=UTC)
    if name == "traces":
        return day + timedelta(days=1)
    return (day.replace(day=1) + timedelta(days=32)).replace(day=1)


class Watch:
    """One reader's view of one table."""

    def __init__(self, folder: Path, reader: str, name: str, keep: timedelta | None) -> None:
        self._folder, self._name, self._keep = folder, name, keep
        self._read, self._loud = READERS[reader]
        self.who = f"{reader} {name}"
        self.seen: Seen = {}
        self.gone: set[Key] = set()
        self.looks = 0

    def look(self) -> str:
        """Reads once; what is wrong, or nothing."""
        has_files = any((self._folder / "history" / self._name).glob("*/*/*.parquet"))
        if not has_files and not self.seen:
            return ""
        try:
            rows = self._tried() if has_files else []
        except Exception as error:
            return f"{self.who}: {error!r}"
        self.looks += 1
        found: Seen = {}
        for analyzer, epoch, number, at, value in rows:
            key = (str(analyzer), int(str(epoch)), int(str(number)))
            assert isinstance(at, datetime)
            if key in found:
                return f"{self.who}: {key} twice"
            found[key] = (at, value)
        if back := self.gone & found.keys():
            return f"{self.who}: {sorted(back)[:5]} were gone, and are back"
        for key, was in self.seen.items():
            if key not in found and not self._may_be_gone(was[0]):
                return f"{self.who}: {key} of {was[0]} is gone"
            if key in found and found[key] != was:
                return f"{self.who}: {key} was {was}, is {found[key]}"
        self.gone |= self.seen.keys() - found.keys()
        self.seen = found
        return ""

    def _tried(self) -> list[tuple[object, ...]]:
        for _ in range(TRIES):
            with suppress(*self._loud):
                return self._read(self._folder, self._name)
        return self._read(self._folder, self._name)

    def _may_be_gone(self, at: datetime) -> bool:
        return self._keep is not None and end_of_period(
            self._name, at
        ) + self._keep <= datetime.now(UTC)


def main(folder: Path, keeps: Mapping[str, float]) -> None:
    """Looks until the input ends."""
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    watches = [
        Watch(folder, r, n, timedelta(days=keeps[n]) if n in keeps else None)
        for r in READERS
        for n in VALUE
    ]
    assert {n.value for n in TableName} >= VALUE.keys()
    while not ended.wait(PAUSE_S):
        for watch in watches:
            if wrong := watch.look():
                print(json.dumps({"wrong": wrong}), flush=True)
                return
    print(json.dumps({w.who: w.looks for w in watches}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), {k: float(v) for k, _, v in (a.partition("=") for a in sys.argv[2:])})
