"""A history that began under older versions, and sites that are not updated on one day: parts of
every version written so far in one shared table."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgeflash.history.schema import TableName
from edgeflash.journal import JOURNAL_NAME, Journal
from tests.unit.fleet.sites import MadeSite, collected, folder_store, keys, shared
from tests.unit.history.test_schema_versions import (
    MONTH_OF,
    NAME,
    results_of,
    rows_of,
    write_as,
)
from tests.unit.history.written_schemas import WRITTEN

SITE = "Heron Lock"


@pytest.mark.parametrize("oldest_first", [True, False])
def test_parts_of_every_version_in_one_table(tmp_path: Path, oldest_first: bool) -> None:
    """Whichever version made the table's first columns; values as the history has them, null where
    a version had no such column."""
    store, root = folder_store(tmp_path / "store"), tmp_path / "tables"
    versions = list(MONTH_OF) if oldest_first else list(reversed(MONTH_OF))
    site = MadeSite(tmp_path / "site", SITE)
    Journal.open(site.state / JOURNAL_NAME).close()
    for version in versions:
        write_as(site.history, WRITTEN[version], results_of(MONTH_OF[version]))
        assert site.ship(store).unreadable == []
        for table in (TableName.RESULTS, TableName.TRACES):
            assert collected(store, root, table).refused == {}
    numbers = sorted(r.cycle.cycle_number for m in MONTH_OF.values() for r in results_of(m))
    found = shared(root)
    assert keys(found) == [(SITE, NAME, 0, n) for n in numbers]
    for version, month in MONTH_OF.items():
        own = found.filter([n // 100 == month for n in found["cycle_number"].to_pylist()])
        columns = WRITTEN[version].tables[TableName.RESULTS]
        wanted = rows_of(TableName.RESULTS, results_of(month))
        for name in found.column_names:
            if name in columns:
                assert own[name].to_pylist() == wanted[name].to_pylist(), (version, name)
            elif name not in ("site", "month", "part"):
                assert own[name].null_count == len(own), (version, name)
    assert site.ship(store, doubt=True).parts == 0
