"""The history for analysts: opened by folder, site file or object store, asked table by table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from edgeflash.errors import StorageError, UsageError
from edgeflash.history.columns import TableName
from edgeflash.history.layout import NO_ANALYZER, partitions_in
from edgeflash.history.query import Pass, Query, Source
from edgeflash.history.reader import Reading, still_to_come, tails_of
from edgeflash.history.relations import in_time, of_files, only, without
from edgeflash.history.resample import DEFAULT_HOLD_S
from edgeflash.history.schema import KEY, TABLES, part_of_schema
from edgeflash.history.selection import Selection
from edgeflash.journal import JOURNAL_NAME, Journal, JournalReader
from edgeflash.model import Verdict


class History:
    """A history that can be asked. Holds no file open; may be kept for as long as one likes.

    Times must be aware: since is included, until is not. analyzer, verdict: only these. Results,
    traces and events are by when they were made (finished_at, at), laboratory results by when the
    sample was drawn (sampled_at).
    """

    def __init__(self, source: Source, where: str) -> None:
        self._source = source
        self.where = where

    def __repr__(self) -> str:
        return f"History({self.where!r})"

    def results(
        self,
        analyzer: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        verdict: Verdict | str | None = None,
        columns: Sequence[str] | None = None,
    ) -> Query:
        """Judged cycles. Raises UsageError for a naive time, or a verdict or column unknown."""
        return self._query(TableName.RESULTS, columns, analyzer, since, until, verdict)

    def traces(
        self,
        analyzer: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        verdict: Verdict | str | None = None,
        columns: Sequence[str] | None = None,
    ) -> Query:
        """Traces and pulses of cycles; verdict: of the cycle. Raises as `results`."""
        return self._query(TableName.TRACES, columns, analyzer, since, until, verdict)

    def events(
        self,
        analyzer: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        columns: Sequence[str] | None = None,
    ) -> Query:
        """Lines of the event record; an empty analyzer: those about none. Raises as `results`."""
        return self._query(TableName.EVENTS, columns, analyzer, since, until)

    def lab(
        self,
        analyzer: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        columns: Sequence[str] | None = None,
    ) -> Query:
        """Laboratory results, corrections as rows of their own. Raises as `results`."""
        return self._query(TableName.LAB, columns, analyzer, since, until)

    def analyzers(self, table: TableName | str = TableName.RESULTS) -> list[str]:
        """Those that have rows of the table, by name. Raises StorageError, or UsageError."""
        try:
            return self._source.analyzers(TableName(table))
        except ValueError as error:
            raise UsageError(f"{table!r} is no table; they are {', '.join(TableName)}") from error

    def hold_s(self, analyzer: str) -> float:
        """How long a value of the analyzer may be used: by the site file, else 900 s."""
        return self._source.hold_s().get(analyzer, DEFAULT_HOLD_S)

    def _query(
        self,
        table: TableName,
        columns: Sequence[str] | None,
        analyzer: str | None,
        since: datetime | None,
        until: datetime | None,
        verdict: Verdict | str | None = None,
    ) -> Query:
        chosen = Selection(analyzer, since, until, _verdict(verdict))
        query = Query(self._source, table, chosen)
        return query if columns is None else query.select(*columns)


def open_history(where: str | Path, filesystem: Any = None) -> History:
    """The history at this place.

    where: its folder; or a site file (.toml), which adds what is only in the gateway's journal and
    each analyzer's hold_s; or the URL of an object store, as s3://bucket/folder, with credentials
    from the environment. filesystem: a pyarrow.fs.FileSystem of your own, for which `where` is a
    path. Raises StorageError when there is no history, ConfigurationError for a wrong site file.
    """
    text = str(where)
    if filesystem is not None or "://" in text:
        from edgeflash.history.remote import object_store  # it costs memory that others save

        return History(object_store(text, filesystem), text)
    path = Path(where)
    if path.suffix == ".toml":
        return History(_of_site(path), text)
    if not path.is_dir():
        raise StorageError(f"{path}: there is no history here: neither a folder nor a site file")
    return History(Folder(path), text)


@dataclass(frozen=True, slots=True)
class Folder:
    """A history folder of this machine. journal: of the gateway that writes it, if it is known."""

    folder: Path
    journal: Path | None = None
    holds_s: Mapping[str, float] = field(default_factory=dict)

    def reading(
        self, table: TableName, selection: Selection, columns: Sequence[str] | None
    ) -> Pass:
        """See `query.Source`."""
        return _FolderPass(self, table, selection, columns)

    def relation(self, connection: Any, table: TableName, selection: Selection) -> Any:
        """See `query.Source`."""
        schema, declared = part_of_schema(table, None), TABLES[table]
        with self.opened_journal() as journal:
            tails = {} if journal is None else tails_of(journal, table, selection)
        s = selection
        found = partitions_in(self.folder, table, s.analyzer, s.since, s.until)
        tails = still_to_come(self.folder, table, tails, set(found))
        rows = of_files(connection, [str(p.path(self.folder)) for p in found], schema)
        if tails:
            tail = connection.from_arrow(pa.concat_tables(tails.values()))
            kept = [str(p.path(self.folder)) for p in found if p in tails]
            held = of_files(connection, kept, schema)
            rows = rows.union(without(tail, held, declared.key))
        rows = in_time(rows, declared.time, s.since, s.until)
        if s.verdict is None:
            return rows
        if table is TableName.RESULTS:
            return rows.filter(f"verdict = '{s.verdict.value}'")
        return only(rows, self.relation(connection, TableName.RESULTS, selection), KEY)

    def hold_s(self) -> Mapping[str, float]:
        """See `query.Source`."""
        return self.holds_s

    def analyzers(self, table: TableName) -> list[str]:
        """See `query.Source`."""
        with self.opened_journal() as journal:
            tails = {} if journal is None else tails_of(journal, table, Selection())
        found = (*partitions_in(self.folder, table), *(p for p in tails if p.table is table))
        return sorted({p.analyzer for p in found} - {NO_ANALYZER})

    def sizes(self, table: TableName, selection: Selection) -> Mapping[str, int]:
        """See `query.Source`."""
        s, found = selection, Counter[str]()
        for partition in partitions_in(self.folder, table, s.analyzer, s.since, s.until):
            try:
                found[partition.analyzer] += partition.path(self.folder).stat().st_size
            except FileNotFoundError:
                continue  # retention took it meanwhile
            except OSError as error:
                raise StorageError(f"{partition.path(self.folder)}: {error}") from error
        return found

    @contextmanager
    def opened_journal(self) -> Iterator[JournalReader | None]:
        """The journal for one look at it; None when there is none."""
        if self.journal is None or not self.journal.exists():
            yield None
            return
        with Journal.open_readonly(self.journal) as journal:
            yield journal


class _FolderPass:
    """A reading of a folder that opens the journal for as long as it takes its tail."""

    def __init__(
        self,
        place: Folder,
        table: TableName,
        selection: Selection,
        columns: Sequence[str] | None,
    ) -> None:
        self._place, self._table, self._selection = place, table, selection
        self._columns = columns

    def begin(self) -> tuple[int, Iterator[pa.Table]]:
        """See `query.Pass`."""
        with self._place.opened_journal() as journal:
            return self._reading(journal).begin()

    def all(self) -> pa.Table:
        """See `query.Pass`."""
        with self._place.opened_journal() as journal:
            return self._reading(journal).all()

    def _reading(self, journal: JournalReader | None) -> Reading:
        return Reading(self._place.folder, self._table, journal, self._selection, self._columns)


def _of_site(path: Path) -> Folder:
    from edgeflash.config.load import load_site

    site = load_site(path)
    holds_s = {analyzer.id: analyzer.hold_s for analyzer in site.file.analyzers}
    return Folder(site.history_dir, site.state_dir / JOURNAL_NAME, holds_s)


def _verdict(verdict: Verdict | str | None) -> Verdict | None:
    if verdict is None:
        return None
    try:
        return Verdict(verdict)
    except ValueError as error:
        raise UsageError(f"{verdict!r} is no verdict; they are {', '.join(Verdict)}") from error
