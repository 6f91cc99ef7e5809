"""What somebody with the key of one gateway can put below its prefix: it is refused, and named, and
neither holds up the other sites nor touches their rows."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from edgeflash.cli.app import app
from edgeflash.fleet.manifest import FORMAT, Manifest, decoded, manifest_path
from edgeflash.fleet.shared_table import SharedTable
from edgeflash.fleet.ship import parquet_bytes
from edgeflash.fleet.store import SMALL_BYTES, Store
from edgeflash.fleet.tables import keys_checksum
from edgeflash.history.schema import TableName, rows
from tests.unit.fleet.sites import MadeSite, collected, folder_store, keys, shared
from tests.unit.journal.samples import START, entries_of, sample_result

RESULTS = TableName.RESULTS
HONEST = "Windmill Quay"
HOSTILE = "A depot"
"""Comes before the honest one."""

CYCLES = range(30, 330, 30)
EXPECTED = [(HONEST, "fp-1", 0, n) for n in CYCLES]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """With the parts of a site that ships as it should."""
    store = folder_store(tmp_path / "store")
    site = MadeSite(tmp_path / "quay", HONEST)
    site.add(sample_result(n, "fp-1") for n in CYCLES)
    site.ship(store)
    return store


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "tables"


def of_cycles(*numbers: int) -> pa.Table:
    """Rows of results; one day's."""
    return rows(RESULTS, entries_of(sample_result(n, "fp-1") for n in numbers))


def manifest_of(site: str, serial: int, of: pa.Table, content: bytes) -> dict[str, object]:
    """What a gateway would say of a part."""
    said = Manifest(
        site=site,
        gateway="other",
        table=RESULTS,
        serial=serial,
        analyzer="fp-1",
        day=of["finished_at"][0].as_py().date(),
        part=1,
        rows=len(of),
        keys_sha256=keys_checksum(RESULTS, of),
        sha256=hashlib.sha256(content).hexdigest(),
        size=len(content),
        schema_version=1,
        made_at="2026-05-02T00:00:00+00:00",
    )
    return {"format": FORMAT, **asdict(said), "day": said.day.isoformat()}


def put(
    store: Store, site: str, serial: int, of: pa.Table, content: bytes = b"", **changes: object
) -> None:
    """A part, with a manifest that says something else."""
    content = content or parquet_bytes(of)
    said = json.dumps(manifest_of(site, serial, of, content) | changes).encode()
    path = decoded(said, site, RESULTS, serial).data_path if not changes else ""
    if path:
        store.put(path, content)
    store.put(manifest_path(site, RESULTS, serial), said)


def other_than_manifests(place: Path) -> None:
    """Things that only look like manifests, or lie where none does."""
    for name in ("1.json", "000000000.json", "９９９９９９９９９.json", f"{10**30}.json", "x.json"):
        (place / name).write_text("{}", "utf-8")
    (place / "000005001.json").write_text("{}", "utf-8")
    (place.parent / f"{10**30}").mkdir()


def a_pipe(place: Path) -> None:
    """Nobody ever writes to it."""
    os.mkfifo(place / "000000001.json")


def a_folder(place: Path) -> None:
    """In the place of a manifest."""
    (place / "000000001.json").mkdir()


def said(text: str) -> Callable[[Path], None]:
    """A manifest that says this."""
    return lambda place: (place / "000000001.json").write_text(text, "utf-8") and None


def changed(**changes: object) -> Callable[[Path], None]:
    """A manifest that would be right but for this."""
    of = of_cycles(30)
    text = json.dumps(manifest_of(HOSTILE, 1, of, parquet_bytes(of)) | changes)
    return said(text)


@pytest.mark.parametrize(
    "spoil",
    [
        other_than_manifests,
        a_pipe,
        a_folder,
        said("[" * 100_000),
        said(json.dumps({"format": FORMAT, "site": "x" * (SMALL_BYTES + 1)})),
        changed(withdraws=[float("inf")]),
        changed(withdraws="12"),
        changed(withdraws=[1]),
        changed(withdraws=[-1]),
        changed(analyzer="\ud800"),
        changed(analyzer="x" * 1000),
        changed(analyzer="../../../../etc"),
        changed(day="2026-05-01T00:00"),
        changed(size=10**18),
        changed(rows=10**18),
        changed(schema_version=10**30),
    ],
)
def test_the_others_come(
    store: Store, root: Path, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    """At each pass; nothing of the hostile site does."""
    place = tmp_path / "store" / Path(manifest_path(HOSTILE, RESULTS, 1)).parent
    place.mkdir(parents=True)
    spoil(place)
    for _ in range(2):
        report = collected(store, root)
        assert report.failed == {}
        assert all(f"site={HOSTILE.replace(' ', '%20')}" in path for path in report.refused)
    assert keys(shared(root)) == EXPECTED


def test_a_site_whose_commits_fail_holds_up_no_other(
    store: Store, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the reason is."""
    put(store, HOSTILE, 1, of_cycles(30))
    commit = SharedTable.commit

    def refusing(self: SharedTable, site: str, *others: object, **more: object) -> None:
        if site == HOSTILE:
            raise OSError("no room for this one")
        commit(self, site, *others, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(SharedTable, "commit", refusing)
    report = collected(store, root)
    assert "no room" in report.failed[HOSTILE]
    assert keys(shared(root)) == EXPECTED


@pytest.mark.parametrize(("count", "size"), [(200_000, 100_000), (5_000_000, 10)])
def test_a_small_file_of_many_bytes(store: Store, root: Path, count: int, size: int) -> None:
    """One value for every row, which stands in the file once."""
    of = of_cycles(30)
    big = pa.DictionaryArray.from_arrays(pa.array([0] * count, pa.int32()), ["x" * size])
    bomb = of.select(["analyzer", "epoch", "cycle_number", "finished_at"]).take([0] * count)
    bomb = bomb.append_column("product", big)
    sink = pa.BufferOutputStream()
    pq.write_table(bomb, sink, compression="zstd", store_schema=False)
    content = bytes(memoryview(sink.getvalue()))
    assert len(content) < 4_000_000
    put(store, HOSTILE, 1, of, content)
    before = pa.default_memory_pool().max_memory()
    report = collected(store, root)
    assert len(report.refused) == 1
    assert pa.default_memory_pool().max_memory() < max(before, 1_500_000_000)
    assert keys(shared(root)) == EXPECTED


@pytest.mark.parametrize("name", ["Site", "published c", "a.b", "x" * 65, "später", "_delta"])
def test_a_column_that_could_be_none_of_ours(store: Store, root: Path, name: str) -> None:
    """It would stay in everybody's table for ever; names that differ by case alone stop Spark."""
    of = of_cycles(30)
    put(store, HOSTILE, 1, of, parquet_bytes(of.append_column(name, pa.array([1.0]))))
    (why,) = collected(store, root).refused.values()
    assert "no names of columns" in why
    assert name not in shared(root).column_names


def test_a_table_is_not_widened_without_end(store: Store, root: Path) -> None:
    """By many columns of one part, or by some of each of many."""
    of = of_cycles(30)
    for serial in range(1, 5):
        wide = of
        for n in range(40):
            wide = wide.append_column(f"new_{serial}_{n}", pa.array([1.0]))
        put(store, HOSTILE, serial, of, parquet_bytes(wide))
    report = collected(store, root)
    assert len(report.refused) == 2
    assert len(shared(root).column_names) <= len(of.column_names) + 3 + 100


@pytest.mark.parametrize("column", ["site", "month", "part"])
def test_rows_that_say_they_are_anothers(store: Store, root: Path, column: str) -> None:
    """The collector says where rows are from, not they."""
    of = of_cycles(30)
    put(store, HOSTILE, 1, of, parquet_bytes(of.append_column(column, pa.array([HONEST]))))
    (why,) = collected(store, root).refused.values()
    assert "do not fit" in why
    assert keys(shared(root)) == EXPECTED


def test_a_site_by_the_name_of_anothers_ledger(store: Store, root: Path, tmp_path: Path) -> None:
    """The parts of `Windmill Quay/refused` say nothing of what is owed by `Windmill Quay`."""
    collected(store, root)
    for name in ("refused", "settled/2", "refused/2"):
        put(store, f"{HONEST}/{name}", 1, of_cycles(30))
    (path,) = (tmp_path / "store").glob("site=Windmill%20Quay/results/data/*/*/*")
    assert collected(store, root).refused == {}
    assert collected(store, root).commits == 0
    assert path.exists()
    assert len(shared(root)) == len(EXPECTED) + 3


def test_a_name_that_looks_like_a_style(
    store: Store, root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a terminal with its progress bar; and none that steers the terminal."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    put(store, "Depot [/north]", 1, of_cycles(30))
    path = tmp_path / "store" / manifest_path("\x1b[2J", RESULTS, 1)
    path.parent.mkdir(parents=True)
    path.write_text("{", "utf-8")
    done = CliRunner().invoke(app, ["collect", store.url, str(root)])
    assert (done.exit_code, done.exception.__class__) == (1, SystemExit), done.exception
    assert "\x1b[2J" not in done.output
    assert len(shared(root)) == len(EXPECTED) + 1


# Not hostile, but unlucky


def test_a_gateway_installed_anew_takes_no_row_away(
    store: Store, root: Path, tmp_path: Path
) -> None:
    """With an empty journal it counts epochs from 0 again: other cycles have keys of old ones."""
    collected(store, root)
    again = MadeSite(tmp_path / "anew", HONEST)
    later = timedelta(days=2)
    again.add(
        sample_result(n, "fp-1", finished_at=START + later + timedelta(minutes=n)) for n in CYCLES
    )
    again.ship(store)
    report = collected(store, root)
    assert (report.added, report.replaced) == (len(CYCLES), 0)
    found = shared(root)
    assert len(found) == 2 * len(CYCLES)
    assert len(set(found["finished_at"].to_pylist())) == 2 * len(CYCLES)


def test_a_late_manifest_withdraws_too(store: Store, root: Path, tmp_path: Path) -> None:
    """A part is damaged, and the manifest of the one that withdraws it comes late."""
    put(store, HOSTILE, 1, of_cycles(30, 60), rows=3)
    put(store, HOSTILE, 3, of_cycles(90))
    assert len(collected(store, root).refused) == 2
    of = of_cycles(30, 60)
    content = parquet_bytes(of)
    told = manifest_of(HOSTILE, 2, of, content) | {"withdraws": [1]}
    store.put(decoded(json.dumps(told).encode(), HOSTILE, RESULTS, 2).data_path, content)
    store.put(manifest_path(HOSTILE, RESULTS, 2), json.dumps(told).encode())
    assert collected(store, root).refused == {}
    assert collected(store, root).commits == 0
    assert [k for k in keys(shared(root)) if k[0] == HOSTILE] == [
        (HOSTILE, "fp-1", 0, n) for n in (30, 60, 90)
    ]
