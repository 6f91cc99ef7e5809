"""What a collector puts into a shared table: every part once, the newest row of each key."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import shutil
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from deltalake import DeltaTable, write_deltalake

from edgeflash.fleet import shared_table as shared_table_module
from edgeflash.fleet.collect import Collector
from edgeflash.fleet.manifest import manifest_path
from edgeflash.fleet.parts import manifests_after
from edgeflash.fleet.shared_table import (
    CommitConflictError,
    NotExclusiveError,
    SharedTable,
    table_url,
)
from edgeflash.fleet.ship import parquet_bytes
from edgeflash.fleet.store import Store
from edgeflash.fleet.tables import keys_checksum
from edgeflash.fleet.tidy import tidy
from edgeflash.history import read_results, read_traces
from edgeflash.history.files import read_file
from edgeflash.history.layout import partitions_in
from edgeflash.history.schema import TableName
from edgeflash.model import EventEntry, EventKind, LabResult, LabStatus
from tests.unit.fleet.sites import NOW, MadeSite, collected, folder_store, keys, shared
from tests.unit.journal.samples import CYCLE, START, sample_result

CYCLES = range(0, 390, 15)
FIRST_DAY = range(0, 30, 15)
SITES = ("Windmill Quay", "Ämter & Söhne/2", "it's 12")
RESULTS = TableName.RESULTS


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store, and three sites with analyzers of the same names that have shipped all to it."""
    top = tmp_path_factory.mktemp("shipped")
    store = folder_store(top / "store")
    for number, name in enumerate(SITES):
        site = MadeSite(top / f"site-{number}", name)
        site.add(sample_result(n, a) for n in CYCLES for a in ("fp-1", "fp-2"))
        site.ship(store)
    return top


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return folder_store(tmp_path / "store")


@pytest.fixture
def sites(shipped: Path, tmp_path: Path, store: Store) -> list[MadeSite]:
    """A copy of them. Their ledgers are those of another store, so they ask this one anew."""
    shutil.copytree(shipped, tmp_path, dirs_exist_ok=True)
    return [MadeSite(tmp_path / f"site-{n}", name) for n, name in enumerate(SITES)]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "tables"


def expected_keys() -> list[tuple[str, str, int, int]]:
    return sorted((s, a, 0, n) for s in SITES for a in ("fp-1", "fp-2") for n in CYCLES)


def doctored(tmp_path: Path, serial: int, changes: dict[str, object]) -> None:
    """Changes what a manifest of the first site says."""
    path = tmp_path / "store" / manifest_path(SITES[0], RESULTS, serial)
    path.write_text(json.dumps(json.loads(path.read_bytes()) | changes), "utf-8")


def test_every_row_of_every_site_once(sites: list[MadeSite], store: Store, root: Path) -> None:
    """Same names of analyzers do not mix; another pass adds nothing."""
    report = collected(store, root)
    assert report.sites == 3
    assert report.added == len(expected_keys())
    assert keys(shared(root)) == expected_keys()
    again = collected(store, root)
    assert (again.parts, again.commits) == (0, 0)


@pytest.mark.parametrize("table", [TableName.RESULTS, TableName.TRACES])
def test_rows_are_those_of_the_history(
    sites: list[MadeSite], store: Store, root: Path, table: TableName
) -> None:
    """Values, nulls, types, nested ones too; units in the table's own schema."""
    collected(store, root, table)
    site = sites[1]
    read = read_results if table is RESULTS else read_traces
    order = [(n, "ascending") for n in ("analyzer", "epoch", "cycle_number")]
    history = read(site.history).sort_by(order)
    mine = shared(root, table).filter(pc.equal(shared(root, table)["site"], site.name))
    for name in history.column_names:
        assert mine[name].combine_chunks().equals(history[name].combine_chunks()), name
        assert mine.schema.field(name).metadata == history.schema.field(name).metadata
    assert set(mine["month"].to_pylist()) == {"2026-04", "2026-05"}


def test_every_table_of_the_history_comes(store: Store, root: Path, tmp_path: Path) -> None:
    """Events, those of no analyzer too, and laboratory results, by the keys of their own."""
    site = MadeSite(tmp_path / "site", SITES[1])
    about = (("fp-1", "alarm on"), ("", "gateway started"), ("", "site file changed"))
    events = [
        EventEntry(START, EventKind.LOGIN_FAILED, analyzer, "", "opcua", "user", text)
        for analyzer, text in about
    ]
    drawn = LabResult("fp-1", "e-1", "Q-117", START, 62.5, LabStatus.FINAL, START)
    site.add(events=events, lab=[drawn], results=[sample_result(0, "fp-1")])
    for expected in (3, 0):
        site.ship(store)
        assert collected(store, root, TableName.EVENTS).added == expected
        assert collected(store, root, TableName.LAB).added == expected // 3
    found = DeltaTable(str(root / "events")).to_pyarrow_table().sort_by("journal_seq")
    assert found["analyzer"].to_pylist() == ["fp-1", None, None]
    assert found["text"].to_pylist() == [text for _, text in about]
    assert set(found["site"].to_pylist()) == {SITES[1]}
    lab = DeltaTable(str(root / "lab")).to_pyarrow_table()
    assert lab.select(["analyzer", "entry_id", "value_c"]).to_pylist() == [
        {"analyzer": "fp-1", "entry_id": "e-1", "value_c": 62.5}
    ]


def test_late_rows_come_behind(sites: list[MadeSite], store: Store, root: Path) -> None:
    """Those of a day that was collected before."""
    collected(store, root)
    late = [sample_result(9000, "fp-1", finished_at=START + CYCLE * 3 + timedelta(seconds=1))]
    sites[0].add(late)
    sites[0].ship(store)
    report = collected(store, root)
    assert (report.added, report.replaced) == (1, 0)
    assert keys(shared(root)) == sorted([*expected_keys(), (SITES[0], "fp-1", 0, 9000)])


def correct(site: MadeSite, number: int, product: str) -> None:
    """Changes a row of the history in place."""
    partition = partitions_in(site.history, RESULTS, "fp-1")[0]
    rows = read_file(site.history, partition)
    found = rows["product"].to_pylist()
    found[rows["cycle_number"].to_pylist().index(number)] = product
    place = rows.schema.get_field_index("product")
    rows = rows.set_column(place, rows.schema.field(place), pa.array(found))
    pq.write_table(rows, partition.path(site.history), store_schema=True)


@pytest.mark.parametrize("at_once", [True, False])
def test_the_newest_part_of_a_row_wins(
    sites: list[MadeSite], store: Store, root: Path, at_once: bool
) -> None:
    """In the same pass or in a later one; of one site only, and nothing else changes."""
    if not at_once:
        collected(store, root)
    correct(sites[2], 0, "kerosene")
    sites[2].ship(store)
    correct(sites[2], 0, "jet")
    sites[2].ship(store)
    report = collected(store, root)
    assert report.replaced == (0 if at_once else 1)
    rows = shared(root)
    assert keys(rows) == expected_keys()
    products = dict(zip(keys(rows), rows["product"].to_pylist(), strict=True))
    assert products.pop((SITES[2], "fp-1", 0, 0)) == "jet"
    assert set(products.values()) == {"diesel-b7"}


def test_a_killed_collector_goes_on(sites: list[MadeSite], store: Store, root: Path) -> None:
    """Ended after each commit in turn: what is there stays, the rest comes."""

    class EndedError(BaseException):
        pass

    commit = SharedTable.commit
    with pytest.MonkeyPatch.context() as patch:

        def once(self: SharedTable, *args: object, **more: object) -> None:
            commit(self, *args, **more)  # type: ignore[arg-type]
            raise EndedError

        patch.setattr(SharedTable, "commit", once)
        for _ in SITES:
            with pytest.raises(EndedError):
                collected(store, root)
        assert collected(store, root).commits == 0
    assert keys(shared(root)) == expected_keys()


# Damaged parts


def test_a_damaged_part_is_named_and_the_others_come(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """At the first pass and at each later one, until it is whole again: then it comes, once."""
    (path,) = (tmp_path / "store").glob("site=Windmill*/results/data/an=fp-1/*/000000001-*")
    content = path.read_bytes()
    path.write_bytes(content[:-1] + b"x")
    place = manifest_path(SITES[0], RESULTS, 1)
    for _ in range(2):
        report = collected(store, root)
        assert list(report.refused) == [place]
        assert "SHA-256" in report.refused[place]
    lost = {(SITES[0], "fp-1", 0, n) for n in FIRST_DAY}
    assert keys(shared(root)) == sorted(set(expected_keys()) - lost)
    path.write_bytes(content)
    assert collected(store, root).refused == {}
    assert keys(shared(root)) == expected_keys()
    assert collected(store, root).commits == 0


def test_several_damaged_parts_are_all_remembered(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """And come in any order."""
    found = sorted((tmp_path / "store").glob("site=Windmill*/results/data/*/*/*.parquet"))
    contents = [path.read_bytes() for path in found]
    assert len(found) == 4
    for path in found[:3]:
        path.unlink()
    assert len(collected(store, root).refused) == 3
    for index in (1, 0, 2):
        found[index].write_bytes(contents[index])
        collected(store, root)
    assert keys(shared(root)) == expected_keys()
    assert collected(store, root).refused == {}


def test_a_late_repaired_part_does_not_undo_a_correction(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """The higher serial is right, whenever it came."""
    (path,) = (tmp_path / "store").glob("site=Windmill*/results/data/an=fp-1/*/000000001-*")
    content = path.read_bytes()
    correct(sites[0], 0, "kerosene")
    sites[0].ship(store)
    path.write_bytes(b"")
    collected(store, root)
    path.write_bytes(content)
    collected(store, root)
    rows = shared(root)
    products = dict(zip(keys(rows), rows["product"].to_pylist(), strict=True))
    assert products[(SITES[0], "fp-1", 0, 0)] == "kerosene"
    assert products[(SITES[0], "fp-1", 0, FIRST_DAY[1])] == "diesel-b7"
    assert keys(rows) == expected_keys()


def test_a_missing_manifest_holds_up_no_other(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """Also the first; what copies the store may bring it later."""
    path = tmp_path / "store" / manifest_path(SITES[0], RESULTS, 1)
    content = path.read_bytes()
    path.unlink()
    for _ in range(2):
        (why,) = collected(store, root).refused.values()
        assert "missing" in why or "is gone" in why
    assert len(shared(root)) == len(expected_keys()) - len(FIRST_DAY)
    path.write_bytes(content)
    assert collected(store, root).refused == {}
    assert keys(shared(root)) == expected_keys()


def test_a_wide_gap_is_one_refusal(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """As where old manifests have expired."""
    path = tmp_path / "store" / manifest_path(SITES[0], RESULTS, 1)
    far = json.loads(path.read_bytes()) | {"serial": 5001}
    store.put(manifest_path(SITES[0], RESULTS, 5001), json.dumps(far).encode())
    refused = collected(store, root).refused
    assert len(refused) == 2
    assert any("4996 parts are missing" in why for why in refused.values())
    assert SharedTable(table_url(str(root), RESULTS), RESULTS, {}).settled(SITES[0]) == 5001


def test_a_withdrawn_part_is_owed_no_more(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """The gateway found it damaged and sent its rows anew."""
    (path,) = (tmp_path / "store").glob("site=Windmill*/results/data/an=fp-1/*/000000001-*")
    path.write_bytes(b"")
    assert len(collected(store, root).refused) == 1
    sites[0].ship(store, doubt=True)
    assert collected(store, root).refused == {}
    assert keys(shared(root)) == expected_keys()
    assert collected(store, root).commits == 0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"rows": 3}, "2 rows, its manifest says 3"),
        ({"keys_sha256": "0" * 64}, "checksum of its keys"),
        ({"size": 12}, "bytes"),
        ({"site": "it's 12"}, "does not belong here"),
        ({"serial": 7}, "does not belong here"),
        ({"format": 9}, "another format"),
        ({"rows": -1}, "no manifest"),
        ({"sha256": "../../x"}, "no manifest"),
        ({"table": "wages"}, "no manifest"),
    ],
)
def test_a_manifest_that_lies_is_refused(
    sites: list[MadeSite],
    store: Store,
    root: Path,
    tmp_path: Path,
    changes: dict[str, object],
    words: str,
) -> None:
    """And the other parts come."""
    doctored(tmp_path, 1, changes)
    report = collected(store, root)
    (why,) = report.refused.values()
    assert words in why
    assert len(shared(root)) == len(expected_keys()) - len(FIRST_DAY)


def test_rows_of_another_analyzer_or_day_are_refused(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """What is in the file must be what its place says."""
    for serial, changes in ((1, {"analyzer": "fp-9"}), (2, {"day": "2026-04-29"})):
        path = tmp_path / "store" / manifest_path(SITES[0], RESULTS, serial)
        found = dict(manifests_after(store, SITES[0], RESULTS, 0))[serial]
        content = (tmp_path / "store" / found.data_path).read_bytes()  # type: ignore[union-attr]
        path.write_text(json.dumps(json.loads(path.read_bytes()) | changes), "utf-8")
        moved = dict(manifests_after(store, SITES[0], RESULTS, 0))[serial]
        store.put(moved.data_path, content)  # type: ignore[union-attr]
    report = collected(store, root)
    words = sorted(report.refused.values())
    assert len(words) == 2
    assert any("others than analyzer 'fp-9'" in why for why in words)
    assert any("another day than 2026-04-29" in why for why in words)


# Columns that change


def rewritten(tmp_path: Path, store: Store, serial: int, rows: pa.Table) -> None:
    """Puts other rows into a part, with a manifest that is right for them."""
    content = parquet_bytes(rows)
    doctored(
        tmp_path,
        serial,
        {
            "rows": len(rows),
            "size": len(content),
            "sha256": hashlib.sha256(content).hexdigest(),
            "keys_sha256": keys_checksum(RESULTS, rows),
        },
    )
    found = dict(manifests_after(store, SITES[0], RESULTS, 0))[serial]
    store.put(found.data_path, content)  # type: ignore[union-attr]


def part(store: Store, tmp_path: Path, serial: int) -> pa.Table:
    """The rows of a part of the first site."""
    found = dict(manifests_after(store, SITES[0], RESULTS, 0))[serial]
    return pq.read_table(tmp_path / "store" / found.data_path)  # type: ignore[union-attr]


def test_an_added_column_is_taken_with_its_unit(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """A newer gateway has it; older parts, also later ones, have null."""
    rows = part(store, tmp_path, 2)
    field = pa.field("later_kpa", pa.float64(), metadata={b"unit": b"kPa"})
    rewritten(tmp_path, store, 2, rows.append_column(field, pa.array([1.5] * len(rows))))
    assert collected(store, root).refused == {}
    sites[1].add([sample_result(9000, "fp-1")])
    sites[1].ship(store, NOW)
    collected(store, root)
    found = shared(root)
    assert len(found) == len(expected_keys()) + 1
    assert len(found) - found["later_kpa"].null_count == len(rows)
    assert found.schema.field("later_kpa").metadata == {b"unit": b"kPa"}
    assert found.schema.field("published_c").metadata[b"unit"] == "°C".encode()


def test_a_missing_column_is_null(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """An older gateway lacks it."""
    rows = part(store, tmp_path, 2)
    rewritten(tmp_path, store, 2, rows.drop_columns(["journal_seq"]))
    assert collected(store, root).refused == {}
    assert shared(root)["journal_seq"].null_count == len(rows)


def test_a_column_of_another_type_is_refused(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """When its values do not fit; the other parts come."""
    rows = part(store, tmp_path, 2)
    place = rows.schema.get_field_index("published_c")
    texts = pa.array(["warm"] * len(rows))
    rewritten(tmp_path, store, 2, rows.set_column(place, "published_c", texts))
    (why,) = collected(store, root).refused.values()
    assert "do not fit the shared table" in why
    assert len(shared(root)) == len(expected_keys()) - len(rows)


# Two collectors, and the table's own upkeep


def test_the_second_of_two_commits_fails(sites: list[MadeSite], store: Store, root: Path) -> None:
    """Both looked at the same version; the ledger's transaction is the lock."""
    first = SharedTable(table_url(str(root), RESULTS), RESULTS, {})
    second = SharedTable(table_url(str(root), RESULTS), RESULTS, {})
    empty = first.arrow_schema().empty_table()
    first.commit("a", empty, first.transactions("a", 1, [], []), replaces=False)
    with pytest.raises(CommitConflictError):
        second.commit("a", empty, second.transactions("a", 1, [], []), replaces=False)
    # Another site's commit goes beside it.
    second.commit("b", empty, second.transactions("b", 1, [], []), replaces=False)
    third = SharedTable(table_url(str(root), RESULTS), RESULTS, {})
    assert (third.settled("a"), third.settled("b"), third.settled("c")) == (1, 1, 0)


def _collect_in_a_process(store: str, root: str, begin: object) -> None:
    begin.wait()  # type: ignore[attr-defined]
    Collector(folder_store(Path(store)), root, RESULTS, {}).collect()


def test_collectors_at_the_same_time(sites: list[MadeSite], store: Store, root: Path) -> None:
    """Three processes over the same parts: each row once, and none of them fails."""
    SharedTable(table_url(str(root), RESULTS), RESULTS, {})
    context = multiprocessing.get_context("spawn")
    begin = context.Barrier(3)
    running = [
        context.Process(target=_collect_in_a_process, args=(store.url, str(root), begin))
        for _ in range(3)
    ]
    for process in running:
        process.start()
    for process in running:
        process.join(120)
    assert [process.exitcode for process in running] == [0, 0, 0]
    assert keys(shared(root)) == expected_keys()


def test_a_store_without_exclusive_writes_is_refused(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store on which both of two writers of one version succeed, as one without If-None-Match."""

    def both_succeed(self: SharedTable, delta: object, transactions: object) -> None:
        pass

    monkeypatch.setattr(shared_table_module.SharedTable, "_say", both_succeed)
    with pytest.raises(NotExclusiveError, match="If-None-Match"):
        SharedTable(table_url(str(root), RESULTS), RESULTS, {})


def test_tidying_keeps_rows_and_ledger(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """Small files joined, a checkpoint, the log's old versions gone: nothing comes twice after."""
    for number in range(9001, 9012):
        collected(store, root)
        sites[0].add([sample_result(number, "fp-1", finished_at=START + CYCLE * (number - 8000))])
        sites[0].ship(store)
    collected(store, root)
    before = keys(shared(root))
    url = table_url(str(root), RESULTS)
    few = len(DeltaTable(url).file_uris())
    report = tidy(SharedTable(url, RESULTS, {}))
    assert report.joined >= 8
    assert len(DeltaTable(url).file_uris()) < few
    log = root / "results" / "_delta_log"
    assert list(log.glob("*.checkpoint.parquet"))
    for old in log.glob("*.json"):  # as after thirty days
        old.unlink()
    assert keys(shared(root)) == before
    shared_now = SharedTable(url, RESULTS, {})
    assert shared_now.settled(SITES[0]) > 0
    assert collected(store, root).commits == 0


def test_what_a_version_needs_is_not_vacuumed(
    sites: list[MadeSite], store: Store, root: Path
) -> None:
    """A reader that opened the table before the files were joined reads on."""
    collected(store, root)
    reader = DeltaTable(str(root / "results"))
    sites[0].add([sample_result(9000, "fp-1")])
    sites[0].ship(store)
    collected(store, root)
    assert tidy(SharedTable(table_url(str(root), RESULTS), RESULTS, {}), all_of_it=True).joined
    assert reader.to_pyarrow_table().num_rows == len(expected_keys())


def test_a_table_nobody_ships_is_not_made(store: Store, root: Path) -> None:
    """An empty store is no mistake: the first gateway may come later."""
    assert collected(store, root).sites == 0
    assert not root.exists()


def test_foreign_things_in_the_store_are_passed_over(
    sites: list[MadeSite], store: Store, root: Path, tmp_path: Path
) -> None:
    """Folders that are no site's, and a site without parts."""
    store.put("README.txt", b"hello")
    store.put("site=empty/owners/x.json", b"{}")
    shutil.copytree(tmp_path / "store" / "site=Windmill%20Quay", tmp_path / "store" / "old")
    assert collected(store, root).sites == 3
    assert keys(shared(root)) == expected_keys()


def test_rows_of_another_writer_are_left_alone(
    sites: list[MadeSite], store: Store, root: Path
) -> None:
    """Whoever adds rows by other means loses nothing."""
    collected(store, root)
    row = shared(root).slice(0, 1)
    place = row.schema.get_field_index("site")
    row = row.set_column(place, row.schema.field(place), pa.array(["elsewhere"]))
    write_deltalake(str(root / "results"), row, mode="append")
    sites[0].add([sample_result(9000, "fp-1")])
    sites[0].ship(store)
    collected(store, root)
    assert len(shared(root)) == len(expected_keys()) + 2
