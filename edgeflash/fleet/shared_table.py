"""One Delta table that all sites share, with the ledger of what is in it in the table's own log.

The ledger is made of the log's application transactions (`txn` actions of the Delta protocol),
which a commit holds together with its rows, or not at all:

    edgeflash/<site>                up to which serial the site's parts are settled
    edgeflash/<site>/refused        the last refused serial; each names the one before:
    edgeflash/<site>/refused/<n>    the refused serial before n, 0 without one
    edgeflash/<site>/settled/<n>    1: the refused part came after all, or was withdrawn

So a crash cannot part the rows from the ledger. And of two collectors that work on the same site at
the same time the second's commit fails, because its application transaction was written meanwhile:
that conflict is the lock. Unlike a lease it cannot be held by the dead, nor be lost by the slow.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.dataset as pa_ds

from edgeflash.errors import EdgeflashError
from edgeflash.fleet.extra import needed
from edgeflash.fleet.tables import key_of, time_of, widened
from edgeflash.history.schema import TableName, schema

SITE, MONTH, PART = "site", "month", "part"
"""Columns of the shared table that the history has not."""

_ADDED = pa.schema(
    [
        pa.field(SITE, pa.string(), metadata={b"description": b"Site of the gateway."}),
        pa.field(MONTH, pa.string(), metadata={b"description": b"UTC month of the row, YYYY-MM."}),
        pa.field(
            PART,
            pa.int64(),
            metadata={b"description": b"Serial of the shipped part that the row came with."},
        ),
    ]
)
_COLUMN = re.compile(r"[a-z][a-z0-9_]{0,63}")
_MOST_NEW_COLUMNS = 100
"""Beside those that this version knows."""

_MOST_WORDS = 400
_PROVEN = "edgeflash proven"

_CONFIGURATION = {
    "delta.checkpointInterval": "20",
    "delta.logRetentionDuration": "interval 30 days",
    "delta.deletedFileRetentionDuration": "interval 7 days",
}


class SharedTableError(EdgeflashError):
    """The shared table cannot be read or written."""


class CommitConflictError(SharedTableError):
    """Another collector has committed meanwhile; nothing of ours is in the table."""


class NotExclusiveError(SharedTableError):
    """The store lets two writers make the same version of the table."""


class SharedTable:
    """A table as it stood when it was opened. For one thread.

    url: `s3://BUCKET/PREFIX/TABLE` or a folder. options: see table_store.storage_options.
    """

    def __init__(self, url: str, table: TableName, options: Mapping[str, str]) -> None:
        """Opens the table; makes it when there is none. Raises SharedTableError."""
        self._delta = needed("deltalake")
        self.url = url
        self.table = table
        self._options = dict(options)
        if not self.exists(url, options):
            self._create()
        self.delta = self._opened()
        if self.delta.transaction_version(_PROVEN) is None:
            self._prove()

    @staticmethod
    def exists(url: str, options: Mapping[str, str]) -> bool:
        """Whether there is a table. Raises SharedTableError when that cannot be told."""
        delta = needed("deltalake")
        try:
            return bool(delta.DeltaTable.is_deltatable(url, dict(options)))
        except (delta.exceptions.DeltaError, OSError) as error:
            raise SharedTableError(f"{url}: {words_of(error)}") from error

    @property
    def version(self) -> int:
        """Of the table as it was opened, or as we last committed."""
        return int(self.delta.version())

    def settled(self, site: str) -> int:
        """Up to which serial the site's parts are in the table, or known to be refused."""
        return int(self.delta.transaction_version(_app(site)) or 0)

    def refused(self, site: str) -> list[int]:
        """Serials up to there that could not be taken and are still owed, newest first."""
        found = []
        serial = self.delta.transaction_version(f"{_app(site)}/refused") or 0
        while serial:
            if not self.delta.transaction_version(f"{_app(site)}/settled/{serial}"):
                found.append(int(serial))
            serial = self.delta.transaction_version(f"{_app(site)}/refused/{serial}") or 0
        return found

    def transactions(
        self, site: str, settled: int, refused: Sequence[int], came: Sequence[int]
    ) -> dict[str, int]:
        """What a commit has to say of a site: settled up to, newly refused, came after all."""
        said = {_app(site): settled}
        before = int(self.delta.transaction_version(f"{_app(site)}/refused") or 0)
        for serial in sorted(refused):
            said[f"{_app(site)}/refused/{serial}"] = before
            before = serial
        if refused:
            said[f"{_app(site)}/refused"] = before
        return said | {f"{_app(site)}/settled/{serial}": 1 for serial in came}

    def held(self, site: str, rows: pa.Table) -> pa.Table:
        """Identity and part of the table's rows in the months of these rows."""
        wanted = (pa_ds.field(SITE) == site) & pa_ds.field(MONTH).isin(_months(rows))
        columns = [*identity_of(self.table), PART]
        try:
            return self.delta.to_pyarrow_dataset().to_table(columns=columns, filter=wanted)
        except (self._delta.exceptions.DeltaError, OSError, pa.ArrowException) as error:
            raise SharedTableError(f"{self.url}: cannot be read: {words_of(error)}") from error

    def commit(
        self,
        site: str,
        rows: pa.Table,
        transactions: Mapping[str, int],
        *,
        replaces: bool,
    ) -> None:
        """Adds rows and ledger in one commit. replaces: newer rows take the place of older ones.

        Raises CommitConflictError, or SharedTableError, also for rows whose types do not fit.
        """
        exceptions = self._delta.exceptions
        properties = self._delta.CommitProperties(
            app_transactions=[self._delta.Transaction(a, v) for a, v in transactions.items()],
            custom_metadata={"edgeflash.site": site},
        )
        try:
            if replaces:
                self._merge(site, rows, properties)
            else:
                self._append(rows, properties)
        except exceptions.CommitFailedError as error:
            raise CommitConflictError(f"{self.url}: {words_of(error)}") from error
        except (exceptions.DeltaError, OSError, pa.ArrowException, ValueError) as error:
            # SchemaMismatchError and its like are DeltaErrors.
            raise SharedTableError(f"{self.url}: {words_of(error)}") from error

    def conform(self, rows: pa.Table, held: pa.Schema) -> pa.Table:
        """The rows in the columns of the table, with new ones behind.

        held: the table's columns, and those that came in the same run. Raises pa.ArrowException
        when a column's values do not fit its type there, or a new one could be none of ours.
        """
        new = [rows.schema.field(n) for n in rows.column_names if n not in held.names]
        # A column stays for ever, in everybody's table.
        if strange := [f.name for f in new if not _COLUMN.fullmatch(f.name)]:
            raise pa.ArrowInvalid(f"{strange[:3]} are no names of columns")
        if new and len(held) + len(new) > len(schema(self.table)) + _MOST_NEW_COLUMNS:
            raise pa.ArrowInvalid(f"{len(new)} new columns are too many; update edgeflash here")
        wanted = pa.schema([*held, *new])
        try:
            self._delta.Schema.from_arrow(wanted)
        except Exception as error:  # the library raises its own kinds, and plain ones
            raise pa.ArrowTypeError(f"no type of a Delta table: {words_of(error)}") from error
        return widened(rows, wanted)

    def arrow_schema(self) -> pa.Schema:
        """The table's columns, with units and descriptions as metadata."""
        return pa.schema(self.delta.schema().to_arrow())

    def _append(self, rows: pa.Table, properties: Any) -> None:
        new = set(rows.column_names) - set(self.arrow_schema().names)
        self._delta.write_deltalake(
            self.delta,
            rows,
            mode="append",
            schema_mode="merge" if new else None,
            commit_properties=properties,
        )

    def _merge(self, site: str, rows: pa.Table, properties: Any) -> None:
        months = ", ".join(_quoted(month) for month in _months(rows))
        same = " AND ".join(f"t.{n} = s.{n}" for n in (*identity_of(self.table), SITE, MONTH))
        merger = self.delta.merge(
            rows,
            # The literals let the engine pass over every other partition.
            f"t.{SITE} = {_quoted(site)} AND t.{MONTH} IN ({months}) AND {same}",
            source_alias="s",
            target_alias="t",
            merge_schema=True,
            commit_properties=properties,
        )
        merger.when_matched_update_all(
            f"s.{PART} > t.{PART}"
        ).when_not_matched_insert_all().execute()

    def _create(self) -> None:
        try:
            self._delta.DeltaTable.create(
                self.url,
                schema=pa.schema([*_ADDED, *schema(self.table)]),
                mode="ignore",
                partition_by=[SITE, MONTH],
                name=self.table.value,
                description=f"{self.table.value} of every site, collected by edgeflash",
                configuration=_CONFIGURATION,
                storage_options=self._options,
            )
        except self._delta.exceptions.CommitFailedError:
            pass  # another collector was quicker; its table is as good
        except (self._delta.exceptions.DeltaError, OSError) as error:
            raise SharedTableError(f"{self.url}: cannot be made: {words_of(error)}") from error

    def _opened(self) -> Any:
        try:
            return self._delta.DeltaTable(self.url, storage_options=self._options)
        except (self._delta.exceptions.DeltaError, OSError) as error:
            raise SharedTableError(f"{self.url}: cannot be opened: {words_of(error)}") from error

    def _prove(self) -> None:
        """Lets two writers make one version; the store must refuse the second.

        Delta rests on this, and not every S3-compatible server has it (a conditional put).
        """
        first, second = self._opened(), self._opened()
        self._say(first, {_app("proof"): first.version()})
        try:
            self._say(second, {_app("proof"): first.version()})
        except self._delta.exceptions.CommitFailedError:
            self.delta = self._opened()
            self._say(self.delta, {_PROVEN: 1})
            return
        raise NotExclusiveError(
            f"{self.url}: this store let two writers make the same version of the table, so rows "
            "could be lost. Use a store with conditional writes (If-None-Match)"
        )

    def _say(self, delta: Any, transactions: Mapping[str, int]) -> None:
        said = [self._delta.Transaction(a, v) for a, v in transactions.items()]
        empty = pa.schema(delta.schema().to_arrow()).empty_table()
        properties = self._delta.CommitProperties(app_transactions=said)
        self._delta.write_deltalake(delta, empty, mode="append", commit_properties=properties)


def words_of(error: BaseException) -> str:
    """What a library says, as one line: some say it in colours and over many lines."""
    plain = re.sub(r"\x1b\[[0-9;]*m", "", str(error))
    return " ".join(plain.replace("↳", " ").split())[:_MOST_WORDS]


def with_place(site: str, table: TableName, serial: int, rows: pa.Table) -> pa.Table:
    """The rows of a part with the columns that only the shared table has."""
    import pyarrow.compute as pc

    months = pc.strftime(rows[time_of(table)], format="%Y-%m")
    added = (pa.repeat(pa.scalar(site), len(rows)), months, pa.repeat(serial, len(rows)))
    for place, (field, column) in enumerate(zip(_ADDED, added, strict=True)):
        rows = rows.add_column(place, field, column)
    return rows


def table_url(root: str, table: str) -> str:
    """Where the shared table lies below the root."""
    return f"{root.rstrip('/')}/{table}"


def identity_of(table: TableName) -> tuple[str, ...]:
    """The columns that name a row of a site in the shared table.

    The time is one of them: a gateway that was installed anew, with an empty journal, counts epochs
    from 0 again, and its cycles must not take the places of those that were shipped before.
    """
    return tuple(dict.fromkeys((*key_of(table), time_of(table))))


def _app(site: str) -> str:
    """Of a site's ledger. Without a slash in the site's name: what is behind one is ours."""
    return f"edgeflash/{site.replace('%', '%25').replace('/', '%2F')}"


def _months(rows: pa.Table) -> list[str]:
    return sorted(set(rows[MONTH].to_pylist()))


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
