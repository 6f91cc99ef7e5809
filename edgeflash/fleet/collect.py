"""What gateways shipped into the shared tables: each row once, whatever happens in between.

One commit takes a run of parts of one site, in the order of their serials, and moves the site's
ledger in the same commit. A damaged part is named, noted as owed, and passed over; it is tried
again at every pass until it comes or its gateway withdraws it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import pyarrow as pa
import pyarrow.compute as pc

from edgeflash.errors import EdgeflashError
from edgeflash.fleet.manifest import (
    Manifest,
    ManifestError,
    decoded,
    manifest_path,
    manifests_folder,
    site_in,
)
from edgeflash.fleet.parts import DamagedPartError, manifests_after, read_part
from edgeflash.fleet.shared_table import (
    PART,
    CommitConflictError,
    NotExclusiveError,
    SharedTable,
    identity_of,
    table_url,
    with_place,
)
from edgeflash.fleet.store import Store
from edgeflash.fleet.tables import newest, time_of
from edgeflash.history.schema import TableName

_PARTS_IN_A_COMMIT = 200
_BYTES_IN_A_COMMIT = 64_000_000
"""Of shipped files; in memory they are several times as large."""

_DECODED_IN_A_COMMIT = 512_000_000
_AT_ONCE = 4
_CONFLICTS_IN_A_ROW = 5


@dataclass(slots=True)
class CollectReport:
    """What one pass did. added, replaced: rows. refused: parts still owed, with why, by place.

    sites: that have shipped anything of the table. failed: those whose parts could not all be
    looked at or committed, with why.
    """

    sites: int = 0
    parts: int = 0
    added: int = 0
    replaced: int = 0
    commits: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class _Run:
    """Parts of one site for one commit. began_at, settled: serials, from and to."""

    began_at: int
    settled: int
    good: list[tuple[int, pa.Table]] = field(default_factory=list)
    refused: dict[int, str] = field(default_factory=dict)
    withdrawn: set[int] = field(default_factory=set)

    def leave_from(self, serial: int) -> None:
        """Leaves this part and those behind it to the next run; an owed one just stays owed."""
        if serial > self.began_at:
            self.settled = serial - 1
            self.refused = {s: why for s, why in self.refused.items() if s < serial}


class Collector:
    """Collects one table of every site that ships to the store.

    on_part: called with each part that is settled, for a progress bar. A site that fails holds up
    no other: see CollectReport.failed. Raises StoreError when the store as such fails, or
    NotExclusiveError; what was committed until then stays, and the next pass goes on.
    """

    def __init__(
        self,
        store: Store,
        root: str,
        table: TableName,
        options: Mapping[str, str],
        on_part: Callable[[str, int], None] = lambda site, serial: None,
    ) -> None:
        self._store = store
        self._url = table_url(root, table)
        self._table = table
        self._options = options
        self._on_part = on_part
        self.report = CollectReport()

    def collect(self) -> CollectReport:
        """One pass over all sites; a table that nobody ships is not made."""
        self.report = CollectReport()
        names = self._store.names("")
        for site in sorted(s for n in names if (s := site_in(n)) is not None):
            try:
                if self._store.names(manifests_folder(site, self._table)):
                    self.report.sites += 1
                    self._collect_site(site)
            except NotExclusiveError:
                raise
            except Exception as error:  # whatever a site has shipped, the others come
                is_foreseen = isinstance(error, EdgeflashError)
                self.report.failed[site] = str(error) if is_foreseen else repr(error)
        return self.report

    def _collect_site(self, site: str) -> None:
        conflicts = 0
        retried = False
        while True:
            shared = SharedTable(self._url, self._table, self._options)
            run = self._next_run(site, shared, again=not retried)
            if not run.good and not run.withdrawn and run.settled == shared.settled(site):
                return
            try:
                self._commit(site, shared, run)
                conflicts, retried = 0, True
            except CommitConflictError:
                # Another collector took these parts, or the same files were compacted: look again.
                conflicts += 1
                if conflicts == _CONFLICTS_IN_A_ROW:
                    raise

    def _next_run(self, site: str, shared: SharedTable, *, again: bool) -> _Run:
        """The next parts, and those still owed from before. Refused ones are named."""
        run = _Run(shared.settled(site), shared.settled(site))
        chosen: list[Manifest] = []
        size = 0
        for serial, found in manifests_after(self._store, site, self._table, run.settled):
            if isinstance(found, ManifestError):
                run.refused[serial] = str(found)
            else:
                chosen.append(found)
                size += found.size
            run.settled = serial
            if len(chosen) == _PARTS_IN_A_COMMIT or size >= _BYTES_IN_A_COMMIT:
                break
        owed = shared.refused(site)
        late = [m for serial in owed if again if (m := self._owed(site, serial, run)) is not None]
        run.withdrawn = {serial for m in (*chosen, *late) for serial in m.withdraws}
        self._take(chosen + late, run)
        run.withdrawn &= {*owed, *(m.serial for m in chosen), *run.refused}
        for serial in run.withdrawn:
            run.refused.pop(serial, None)
        for serial, why in run.refused.items():
            self.report.refused[manifest_path(site, self._table, serial)] = why
        return run

    def _take(self, manifests: list[Manifest], run: _Run) -> None:
        """Reads the parts; where they are too many to be held at once, the last wait."""
        wanted = [m for m in manifests if m.serial not in run.withdrawn]
        size = 0
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            for start in range(0, len(wanted), _AT_ONCE):
                if size > _DECODED_IN_A_COMMIT:
                    run.leave_from(wanted[start].serial)
                    return
                these = wanted[start : start + _AT_ONCE]
                for manifest, outcome in zip(these, pool.map(self._read, these), strict=True):
                    if isinstance(outcome, pa.Table):
                        run.good.append((manifest.serial, outcome))
                        size += outcome.nbytes
                    else:
                        run.refused[manifest.serial] = outcome

    def _owed(self, site: str, serial: int, run: _Run) -> Manifest | None:
        """The manifest of a part that is owed; None when that is refused again."""
        content = self._store.read(manifest_path(site, self._table, serial))
        try:
            if content is None:
                raise ManifestError(f"{manifest_path(site, self._table, serial)}: is gone")
            return decoded(content, site, self._table, serial)
        except ManifestError as error:
            run.refused[serial] = str(error)
            return None

    def _read(self, manifest: Manifest) -> pa.Table | str:
        """The rows of a part, or why it is refused."""
        try:
            return read_part(self._store, manifest)
        except DamagedPartError as error:
            return str(error)

    def _commit(self, site: str, shared: SharedTable, run: _Run) -> None:
        rows = self._joined(site, shared, run)
        owed = set(shared.refused(site))
        came = (owed & {serial for serial, _ in run.good}) | (owed & run.withdrawn)
        transactions = shared.transactions(
            site, run.settled, sorted(set(run.refused) - owed), sorted(came)
        )
        if run.settled == shared.settled(site) and not came:
            return
        replaced = 0
        if len(rows):
            older, newer = _compared(self._table, rows, shared.held(site, rows))
            rows, replaced = rows.filter(pc.invert(older)), pc.sum(newer).as_py() or 0
        shared.commit(site, rows, transactions, replaces=replaced > 0)
        self.report.commits += 1
        self.report.parts += len(run.good)
        self.report.added += len(rows) - replaced
        self.report.replaced += replaced
        for serial, _ in run.good:
            self.report.refused.pop(manifest_path(site, self._table, serial), None)
            self._on_part(site, serial)

    def _joined(self, site: str, shared: SharedTable, run: _Run) -> pa.Table:
        """All rows of the run, of each key the newest, in the columns of the shared table.

        A part whose types do not fit is refused and left out.
        """
        parts: list[pa.Table] = []
        schema = shared.arrow_schema()
        for serial, rows in sorted(run.good, key=lambda good: good[0]):
            try:
                placed = shared.conform(with_place(site, self._table, serial, rows), schema)
                schema = placed.schema
                parts.append(placed)
            except (pa.ArrowException, KeyError) as error:
                place = manifest_path(site, self._table, serial)
                run.refused[serial] = self.report.refused[place] = (
                    f"its columns do not fit the shared table: {error}"
                )
        run.good = [(serial, rows) for serial, rows in run.good if serial not in run.refused]
        if not parts:
            return schema.empty_table()
        return newest(self._table, parts, time_of(self._table))


def _compared(
    table: TableName, rows: pa.Table, held: pa.Table
) -> tuple[pa.BooleanArray, pa.BooleanArray]:
    """Masks over the rows: those that the table holds as new or newer; those it holds older."""
    names = identity_of(table)
    place = dict(zip(_keys(held, names), held[PART].to_pylist(), strict=True))
    parts = [place.get(key) for key in _keys(rows, names)]
    serials = rows[PART].to_pylist()
    older = [part is not None and part >= s for part, s in zip(parts, serials, strict=True)]
    newer = [part is not None and part < s for part, s in zip(parts, serials, strict=True)]
    return pa.array(older, pa.bool_()), pa.array(newer, pa.bool_())


def _keys(rows: pa.Table, names: tuple[str, ...]) -> list[tuple[object, ...]]:
    return list(zip(*(rows[name].to_pylist() for name in names), strict=True))
