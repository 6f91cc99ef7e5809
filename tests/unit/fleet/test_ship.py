"""What a pass ships, and what it does not: each row once, whatever was lost or left before."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from edgeflash.fleet.ledger import LEDGER_NAME, Ledger
from edgeflash.fleet.manifest import decoded, manifest_path
from edgeflash.fleet.owners import PrefixOwnedError
from edgeflash.fleet.ship import Shipper, owed_since, parquet_bytes
from edgeflash.fleet.store import Store, StoreError
from edgeflash.fleet.tables import changed_rows, content_digest, newest
from edgeflash.history import HistoryWriter, read_results
from edgeflash.history.files import read_file
from edgeflash.history.layout import partitions_in
from edgeflash.history.schema import TableName
from edgeflash.journal import JOURNAL_NAME, Journal
from edgeflash.model import EventEntry, EventKind
from tests.unit.fleet.sites import NOW, TWO, MadeSite, folder_store
from tests.unit.journal.samples import CYCLE, START, sample_result

# START is 22:00: thirty cycles of four minutes fall on its day, 360 on the next.
FIRST_DAY = range(0, 30, 3)
SECOND_DAY = range(30, 390, 30)
ALL = (*FIRST_DAY, *SECOND_DAY)


@pytest.fixture
def site(tmp_path: Path) -> MadeSite:
    """A site with one analyzer and two whole days."""
    made = MadeSite(tmp_path / "quay", "Windmill Quay")
    made.add(sample_result(n) for n in ALL)
    return made


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return folder_store(tmp_path / "store")


def files(tmp_path: Path, pattern: str) -> list[Path]:
    """What lies in the store."""
    return sorted((tmp_path / "store").rglob(pattern))


def shipped_keys(tmp_path: Path, table: str = "results") -> list[tuple[int, int]]:
    """Epoch and number of each row in the parts that have a manifest, doubled ones too."""
    found = []
    for path in files(tmp_path, f"{table}/manifests/**/*.json"):
        manifest = decoded(path.read_bytes(), "Windmill Quay", TableName(table), int(path.stem))
        rows = pq.read_table(tmp_path / "store" / manifest.data_path)
        assert len(rows) == manifest.rows
        found += list(zip(rows["epoch"].to_pylist(), rows["cycle_number"].to_pylist(), strict=True))
    return sorted(found)


def test_each_day_of_each_table_is_a_part(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """One file and one manifest for each; the manifest says what is in it."""
    report = site.ship(store)
    assert (report.parts, report.rows) == (4, 2 * len(ALL))
    assert len(files(tmp_path, "*.parquet")) == len(files(tmp_path, "*.json")) == 4
    manifest = json.loads((tmp_path / "store" / manifest_path(site.name, TWO[0], 2)).read_bytes())
    assert manifest["day"] == "2026-05-01"
    assert manifest["rows"] == len(SECOND_DAY)
    assert manifest["part"] == 1
    assert shipped_keys(tmp_path) == [(0, n) for n in ALL]
    assert shipped_keys(tmp_path, "traces") == [(0, n) for n in ALL]


def test_a_part_has_the_rows_of_the_history(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """All columns, with their units."""
    site.ship(store)
    parts = [pq.read_table(p) for p in files(tmp_path, "results/data/**/*.parquet")]
    expected = read_results(site.history)
    assert pa.concat_tables(parts).sort_by("cycle_number").equals(expected.sort_by("cycle_number"))
    assert parts[0].schema.field("published_c").metadata[b"unit"] == "°C".encode()


def test_nothing_is_sent_twice(site: MadeSite, store: Store) -> None:
    """A second pass finds all of it shipped, without looking into a file."""
    site.ship(store)
    again = site.ship(store)
    assert (again.parts, again.sent_bytes) == (0, 0)


@pytest.mark.parametrize(
    ("now", "parts"),
    [
        (datetime.fromisoformat("2026-05-01T00:14:00Z"), 0),
        (datetime.fromisoformat("2026-05-01T00:16:00Z"), 2),
        (datetime.fromisoformat("2026-05-02T00:16:00Z"), 4),
    ],
)
def test_only_a_past_day_is_shipped(
    site: MadeSite, store: Store, now: datetime, parts: int
) -> None:
    """The day ends at midnight UTC, and a quarter of an hour later it is past."""
    assert site.ship(store, now).parts == parts


def test_a_day_with_rows_in_the_journal_alone_waits(site: MadeSite, store: Store) -> None:
    """Of that table and analyzer; other days go."""
    late = sample_result(1000, finished_at=START + CYCLE * 40)
    site.add([late], flush=False)
    report = site.ship(store)
    assert report.parts == 2  # the first day of both tables
    assert report.waiting == 2
    site.add([])
    assert site.ship(store).parts == 2


def test_a_day_with_events_in_the_journal_alone_waits(site: MadeSite, store: Store) -> None:
    """Of the event record, which has a position of its own in the journal."""
    event = EventEntry(START, EventKind.LOGIN_FAILED, "fp-101", "", "opcua", "user", "")
    site.add(events=[event])
    site.add(events=[event], flush=False)
    report = site.ship(store)
    assert (report.parts, report.waiting) == (4, 1)
    site.add()
    assert site.ship(store).parts == 1


def test_late_rows_make_a_further_part(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """With only the new rows; the earlier part stays as it is."""
    site.ship(store)
    before = {p: p.read_bytes() for p in files(tmp_path, "*.parquet")}
    site.add([sample_result(2000, finished_at=START + CYCLE * 3 + timedelta(seconds=1))])
    report = site.ship(store)
    assert (report.parts, report.rows) == (2, 2)
    assert all(path.read_bytes() == content for path, content in before.items())
    newest_one = json.loads((tmp_path / "store" / manifest_path(site.name, TWO[0], 3)).read_bytes())
    assert (newest_one["part"], newest_one["day"]) == (2, "2026-04-30")
    assert shipped_keys(tmp_path) == sorted([(0, n) for n in (*ALL, 2000)])


def test_a_corrected_row_is_sent_again_alone(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """A row whose content changed in the history."""
    site.ship(store)
    partition = partitions_in(site.history, TableName.RESULTS)[0]
    rows = read_file(site.history, partition)
    products = rows["product"].to_pylist()
    products[4] = "kerosene"
    place = rows.schema.get_field_index("product")
    rows = rows.set_column(place, rows.schema.field(place), pa.array(products))
    pq.write_table(rows, partition.path(site.history), store_schema=True)
    report = site.ship(store)
    assert (report.parts, report.rows) == (1, 1)
    (sent,) = (p for p in files(tmp_path, "results/data/**/000000003-*.parquet"))
    assert pq.read_table(sent)["product"].to_pylist() == ["kerosene"]


def test_a_lost_ledger_costs_no_row(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """The store's manifests are the ledger proper."""
    site.ship(store)
    (site.state / LEDGER_NAME).unlink()
    report = site.ship(store)
    assert (report.parts, report.rows) == (0, 0)
    assert shipped_keys(tmp_path) == [(0, n) for n in ALL]


def test_a_ledger_of_before_costs_no_row(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """As after a crash between the manifest and the ledger, or a backup put back."""
    site.ship(store, datetime.fromisoformat("2026-05-01T01:00:00Z"))
    kept = (site.state / LEDGER_NAME).read_bytes()
    site.ship(store)
    for path in site.state.glob(f"{LEDGER_NAME}*"):
        path.unlink()
    (site.state / LEDGER_NAME).write_bytes(kept)
    assert site.ship(store).parts == 0
    assert shipped_keys(tmp_path) == [(0, n) for n in ALL]


class CutStore:
    """A store that goes away after so many objects."""

    def __init__(self, store: Store, puts: int) -> None:
        self._store, self._puts = store, puts
        self.url = store.url

    def put(self, path: str, content: bytes) -> None:
        if self._puts == 0:
            raise StoreError("the store has gone away")
        self._puts -= 1
        self._store.put(path, content)

    def __getattr__(self, name: str) -> object:
        return getattr(self._store, name)


@pytest.mark.parametrize("puts", range(8))
def test_a_cut_at_any_object_is_caught_up(
    site: MadeSite, store: Store, tmp_path: Path, puts: int
) -> None:
    """After 0 to 7 objects; the next pass sends what is missing, and no file twice."""
    with pytest.raises(StoreError):
        site.ship(CutStore(store, puts))  # type: ignore[arg-type]
    sizes = sum(p.stat().st_size for p in files(tmp_path, "*.parquet"))
    report = site.ship(store)
    assert report.parts == 4 - puts // 2
    assert report.sent_bytes == sum(p.stat().st_size for p in files(tmp_path, "*.parquet")) - sizes
    assert len(files(tmp_path, "*.parquet")) == 4
    assert shipped_keys(tmp_path) == [(0, n) for n in ALL]


def test_a_file_without_manifest_means_nothing(
    site: MadeSite, store: Store, tmp_path: Path
) -> None:
    """Late rows after a crash: the part is another, the left file is passed over."""
    with pytest.raises(StoreError):
        site.ship(CutStore(store, 1))  # type: ignore[arg-type]
    site.add([sample_result(2000, finished_at=START + CYCLE * 3 + timedelta(seconds=1))])
    site.ship(store)
    assert len(files(tmp_path, "*.parquet")) == 5
    assert shipped_keys(tmp_path) == sorted([(0, n) for n in (*ALL, 2000)])


def test_a_take_over_in_a_pass_overwrites_nothing(
    site: MadeSite, store: Store, tmp_path: Path
) -> None:
    """A new machine has taken over while the old one was shipping: that one stops before it puts a
    manifest in the place of the other's, which a collector may have taken."""
    with Ledger(site.state / "old.sqlite3", store.url, site.name) as ledger:
        old = Shipper(site.history, store, ledger, site.name, "old", (TableName.RESULTS,))
        _, looks = old.work(NOW, set())
        next(looks)  # it stands before its first file
        site.ship(store)
        before = {path: path.read_bytes() for path in files(tmp_path, "*.json")}
        with pytest.raises(PrefixOwnedError, match="meanwhile"):
            list(looks)
    assert {path: path.read_bytes() for path in files(tmp_path, "*.json")} == before


def test_a_damaged_part_is_found_and_sent_anew(
    site: MadeSite, store: Store, tmp_path: Path
) -> None:
    """On --check; the new part withdraws the damaged one."""
    site.ship(store)
    path = files(tmp_path, "results/data/**/000000001-*.parquet")[0]
    content = bytearray(path.read_bytes())
    content[100] ^= 1
    path.write_bytes(content)
    assert site.ship(store).damaged == []  # nothing asks for it
    report = site.ship(store, doubt=True)
    assert len(report.damaged) == 1
    assert (report.parts, report.rows) == (1, len(FIRST_DAY))
    found = json.loads((tmp_path / "store" / manifest_path(site.name, TWO[0], 3)).read_bytes())
    assert found["withdraws"] == [1]
    assert site.ship(store, doubt=True).parts == 0


def test_an_unreadable_manifest_costs_no_row(site: MadeSite, store: Store, tmp_path: Path) -> None:
    """Its serial is not used again; its rows come in another part, which withdraws it."""
    site.ship(store)
    (tmp_path / "store" / manifest_path(site.name, TWO[0], 1)).write_bytes(b"{")
    report = site.ship(store, doubt=True)
    assert (report.parts, report.rows) == (1, len(FIRST_DAY))
    found = json.loads((tmp_path / "store" / manifest_path(site.name, TWO[0], 3)).read_bytes())
    assert found["withdraws"] == [1]


def test_expired_manifests_and_a_lost_ledger_cost_no_row(
    site: MadeSite, store: Store, tmp_path: Path
) -> None:
    """Serials go on behind those that are still there, and never begin again."""
    site.ship(store)
    (tmp_path / "store" / manifest_path(site.name, TWO[0], 1)).unlink()
    (site.state / LEDGER_NAME).unlink()
    report = site.ship(store)
    assert (report.parts, report.rows) == (1, len(FIRST_DAY))
    assert (tmp_path / "store" / manifest_path(site.name, TWO[0], 3)).exists()
    assert shipped_keys(tmp_path) == [(0, n) for n in ALL]


def test_an_unreadable_file_of_the_history_holds_up_no_other(site: MadeSite, store: Store) -> None:
    """It is named; the rest goes."""
    partitions_in(site.history, TableName.TRACES)[0].path(site.history).write_bytes(b"PAR1 half")
    report = site.ship(store)
    assert report.parts == 3
    assert len(report.unreadable) == 1


def test_what_is_owed(site: MadeSite, store: Store) -> None:
    """The first day of the oldest file with rows that the store may lack."""
    ledger_path = site.state / LEDGER_NAME

    def owed() -> dict[str, str | None]:
        with Ledger(ledger_path, store.url, site.name) as ledger:
            found = owed_since(site.history, ledger, TWO)
        return {table.value: None if day is None else str(day) for table, day in found.items()}

    assert owed() == {"results": "2026-04-01", "traces": "2026-04-30"}
    site.ship(store, datetime.fromisoformat("2026-05-01T01:00:00Z"))
    assert owed() == {"results": "2026-05-01", "traces": "2026-05-01"}
    site.ship(store)
    assert owed() == {"results": None, "traces": None}
    site.add([sample_result(2000, finished_at=START + CYCLE * 3 + timedelta(seconds=1))])
    assert owed() == {"results": "2026-04-01", "traces": "2026-04-30"}


def test_retention_of_shipped_days_changes_nothing(
    site: MadeSite, store: Store, tmp_path: Path
) -> None:
    """A file that is gone is not owed, and its parts stay."""
    site.ship(store)
    for partition in partitions_in(site.history, TableName.TRACES):
        partition.path(site.history).unlink()
    assert site.ship(store, doubt=True).parts == 0
    assert shipped_keys(tmp_path, "traces") == [(0, n) for n in ALL]


def test_a_new_column_ships_nothing_again(site: MadeSite, store: Store) -> None:
    """A later version's column is null in old rows: they have not changed."""
    site.ship(store)
    for partition in partitions_in(site.history, TableName.RESULTS):
        rows = read_file(site.history, partition)
        wider = rows.append_column("later", pa.nulls(len(rows), pa.float64()))
        pq.write_table(wider, partition.path(site.history), store_schema=True)
    assert site.ship(store).parts == 0
    assert site.ship(store, NOW, doubt=True).parts == 0


def test_the_same_rows_make_the_same_bytes(site: MadeSite) -> None:
    """However they came into memory; so a file that is in the store is known again."""
    rows = read_results(site.history).sort_by("cycle_number")
    halves = pa.concat_tables([rows.slice(8), rows.slice(0, 8)]).sort_by("cycle_number")
    assert parquet_bytes(rows.combine_chunks()) == parquet_bytes(halves.combine_chunks())
    assert content_digest(rows) == content_digest(halves)
    other = rows.set_column(
        rows.schema.get_field_index("missed"), "missed", pa.array([1] * len(rows))
    )
    assert content_digest(rows) != content_digest(other)


def test_changed_rows_and_the_newest(site: MadeSite) -> None:
    """A row that is the same is not among the changed; of two the later stays."""
    rows = read_results(site.history).slice(0, 10)
    changed = rows.set_column(
        rows.schema.get_field_index("missed"),
        rows.schema.field("missed"),
        pa.array([5, *([0] * 9)]),
    )
    assert changed_rows(TableName.RESULTS, changed, rows)["cycle_number"].to_pylist() == [0]
    joined = newest(TableName.RESULTS, [rows, changed.slice(0, 1)])
    assert len(joined) == 10
    assert sorted(joined["missed"].to_pylist()) == [*([0] * 9), 5]


def test_shipping_while_the_history_is_written(tmp_path: Path, store: Store) -> None:
    """Passes between flushes: whatever the order, every row once in the end."""
    site = MadeSite(tmp_path / "quay", "Windmill Quay")
    with Journal.open(site.state / JOURNAL_NAME) as journal:
        writer = HistoryWriter(journal, site.history)
        for start in range(0, 400, 50):
            for done in [journal.append(sample_result(n)) for n in range(start, start + 50, 10)]:
                done.result()
            if start % 100:
                writer.flush()
            site.ship(store, START + CYCLE * (start + 300))
        writer.flush()
    site.ship(store)
    assert shipped_keys(tmp_path) == [(0, n) for n in range(0, 400, 10)]
